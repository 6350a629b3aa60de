// SPDX-License-Identifier: Apache-2.0
/*
 * remark_fuzz.c - any bytes beside a snapshot: as what a person said of it (0001.note), and as the
 * report that tells whether it may go (0001.json).
 *
 * Held: what cannot be read keeps its snapshot; what can is written and read again.
 */
#include "folder.h"
#include "remark.h"
#include "snapshot_folder.h"
#include "standing.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool holds) {
    if (!holds)
        abort();
}

static void remove_file(const char *name) {
    char path[96];
    snprintf(path, sizeof path, "%s/%s", fuzz_folder(), name);
    (void)unlink(path);
}

static void as_note(const uint8_t *data, size_t size) {
    struct remark remark = {0}, again = {0};
    const struct remark_change nothing = {-1, -1, -1, NULL};
    fuzz_file("0001" SNAPSHOT_REMARK, data, size);
    int result = remark_read(fuzz_folder(), 1, &remark);
    must(result == 0 || result == -EBADMSG);
    must(result == 0 || standing_of(fuzz_folder(), 1) == STANDING_HELD);
    if (result < 0)
        return;
    must(remark_change(fuzz_folder(), 1, &nothing) == 0);
    must(remark_read(fuzz_folder(), 1, &again) == 0);
    must(again.reviewed == remark.reviewed && again.hold == remark.hold &&
         again.good == remark.good && strcmp(again.text, remark.text) == 0);
}

static void as_report(const uint8_t *data, size_t size) {
    remove_file("0001" SNAPSHOT_REMARK);
    fuzz_file("0001" SNAPSHOT_REPORT, data, size);
    enum standing standing = standing_of(fuzz_folder(), 1);
    must(standing == STANDING_CLEAN || standing == STANDING_UNREVIEWED);
    remove_file("0001" SNAPSHOT_REPORT);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    fuzz_file("0001" SNAPSHOT_SUFFIX, data, 0);
    as_note(data, size);
    as_report(data, size);
    return 0;
}
