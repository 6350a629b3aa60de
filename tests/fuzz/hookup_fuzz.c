// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_fuzz.c - a hookup file of any bytes: sound, or every problem told; for boards and imports.
 */
#include "hookup.h"

#include <errno.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void parse(const uint8_t *data, size_t size, enum hookup_use use, FILE *nowhere) {
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    int result = hookup_parse((const char *)data, size, use, &hookup, &problems);
    problems_print(&problems, "file", nowhere);
    /* A hookup, or a reason. */
    if (!result != !!hookup || (result == -EINVAL) != (problems.count > 0))
        abort();
    if (hookup) {
        const struct board_description description = {.inputs = 4, .skew_s = 1e-6};
        for (size_t board = 0; board < hookup->board_count; board++)
            (void)hookup_fit_board(hookup, board, &description, &problems);
    }
    problems_clear(&problems);
    hookup_free(hookup);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    FILE *nowhere = fopen("/dev/null", "w");
    if (!nowhere)
        return 0;
    parse(data, size, HOOKUP_FOR_BOARDS, nowhere);
    parse(data, size, HOOKUP_FOR_IMPORT, nowhere);
    fclose(nowhere);
    return 0;
}
