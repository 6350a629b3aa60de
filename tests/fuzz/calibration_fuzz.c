// SPDX-License-Identifier: Apache-2.0
/*
 * calibration_fuzz.c - any bytes as the state folder's calibration.json.
 *
 * Held: what is accepted is written and read again, entry for entry; a hookup takes it.
 */
#include "calibration_store.h"
#include "folder.h"
#include "hookup.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static const char hookup_text[] = "[board logger]\ndriver = sim\nrate = 1000\ninputs = 2\n"
                                  "[channel battery]\nboard = logger\ninput = 0\n"
                                  "role = battery\ndivider = 5.7\n";

static void must(bool holds) {
    if (!holds)
        abort();
}

static void use(const struct calibration_store *store) {
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    const struct board_description description = {
        .inputs = 2, .rate_hz = 1000, .identity = "board 0"};
    must(hookup_parse(hookup_text, strlen(hookup_text), HOOKUP_FOR_BOARDS, &hookup, &problems) ==
         0);
    must(hookup_calibrate(hookup, store->calibrations, store->count) == 0);
    (void)hookup_fit_board(hookup, 0, &description, &problems);
    hookup_free(hookup);
    problems_clear(&problems);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct calibration_store store = {0}, again = {0};
    fuzz_file("calibration.json", data, size);
    int result = calibration_store_read(fuzz_folder(), &store);
    must(result == 0 || result == -EBADMSG);
    must(result == 0 || store.count == 0);
    if (result < 0)
        return 0;
    use(&store);
    must(calibration_store_write(&store, fuzz_folder()) == 0);
    must(calibration_store_read(fuzz_folder(), &again) == 0);
    must(again.count == store.count);
    for (size_t i = 0; i < store.count; i++)
        must(again.calibrations[i].input == store.calibrations[i].input &&
             strcmp(again.calibrations[i].board, store.calibrations[i].board) == 0);
    calibration_store_clear(&again);
    calibration_store_clear(&store);
    return 0;
}
