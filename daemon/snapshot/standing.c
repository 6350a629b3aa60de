// SPDX-License-Identifier: Apache-2.0
/*
 * standing.c - reports and remarks weighed; the one place that deletes snapshots.
 */
#include "standing.h"

#include "remark.h"
#include "snapshot_folder.h"

#include <errno.h>
#include <jansson.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char *const names[] = {"reviewed and clean", "clean", "reviewed",
                                    "not reviewed",       "held",  "good"};

const char *standing_name(enum standing standing) {
    return names[standing];
}

bool standing_may_go(enum standing standing) {
    return standing <= STANDING_REVIEWED;
}

/* ---- what the report says ---- */

/* Outcomes that are no failure, of attempts that may go; what is new or unknown to us may not. */
static bool is_harmless(const char *outcome) {
    return outcome && (strcmp(outcome, "started") == 0 || strcmp(outcome, "released-early") == 0 ||
                       strcmp(outcome, "unknown") == 0);
}

static bool found_nothing(const json_t *of) {
    const json_t *verdict = json_object_get(of, "verdict");
    const char *fault = json_string_value(json_object_get(verdict, "fault"));
    return fault && strcmp(fault, "nothing-found") == 0;
}

static bool is_clean(const char *folder, unsigned number) {
    char *path = snapshot_folder_path(folder, number, SNAPSHOT_REPORT);
    json_t *report = path ? json_load_file(path, 0, NULL) : NULL;
    const json_t *attempts = json_object_get(report, "attempts");
    bool clean = found_nothing(report) && json_is_array(attempts);
    size_t i;
    const json_t *attempt;
    json_array_foreach(attempts, i, attempt) {
        const char *outcome = json_string_value(json_object_get(attempt, "outcome"));
        clean = clean && is_harmless(outcome) && found_nothing(attempt);
    }
    json_decref(report);
    free(path);
    return clean;
}

enum standing standing_of(const char *folder, unsigned number) {
    struct remark remark;
    if (remark_read(folder, number, &remark) < 0 || remark.hold)
        return STANDING_HELD;
    if (remark.good)
        return STANDING_GOOD;
    bool clean = is_clean(folder, number);
    if (remark.reviewed)
        return clean ? STANDING_REVIEWED_CLEAN : STANDING_REVIEWED;
    return clean ? STANDING_CLEAN : STANDING_UNREVIEWED;
}

/* ---- going ---- */

int standing_next(const char *folder, unsigned *number, enum standing *standing) {
    unsigned *numbers = NULL;
    size_t count = 0;
    int result = snapshot_folder_numbers(folder, SNAPSHOT_SUFFIX, &numbers, &count);
    if (result < 0)
        return result;
    result = -ENOENT;
    for (size_t i = 0; i < count; i++) { /* oldest first */
        enum standing one = standing_of(folder, numbers[i]);
        if (!standing_may_go(one) || (result == 0 && one >= *standing))
            continue;
        *number = numbers[i];
        *standing = one;
        result = 0;
    }
    free(numbers);
    return result;
}

static int take_away(const char *folder, unsigned number, const char *suffix) {
    char *path = snapshot_folder_path(folder, number, suffix);
    int result = !path ? -ENOMEM : unlink(path) < 0 ? -errno : 0;
    free(path);
    return result;
}

int standing_remove(const char *folder, unsigned number) {
    if (!standing_may_go(standing_of(folder, number))) {
        char *path = snapshot_folder_path(folder, number, SNAPSHOT_SUFFIX);
        int result = path && access(path, F_OK) == 0 ? -EPERM : -ENOENT;
        free(path);
        return result;
    }
    int result = take_away(folder, number, SNAPSHOT_SUFFIX);
    if (result < 0)
        return result;
    /* What is left of a snapshot that is gone would count as a used number, and no more. */
    (void)take_away(folder, number, SNAPSHOT_REPORT);
    (void)take_away(folder, number, SNAPSHOT_REMARK);
    return snapshot_folder_sync(folder);
}
