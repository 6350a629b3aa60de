// SPDX-License-Identifier: Apache-2.0
/*
 * night.c - puts snapshots, reports and attempts together.
 */
#include "night.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The same engagement seen in two overlapping snapshots differs by less than this. */
#define SAME_ATTEMPT_S 1.0

static bool row_failed(const json_t *verdict_holder, const char *outcome) {
    const json_t *verdict = json_object_get(verdict_holder, "verdict");
    const char *fault = json_string_value(json_object_get(verdict, "fault"));
    if (fault && strcmp(fault, "nothing-found") != 0)
        return true;
    return outcome &&
           (strcmp(outcome, "did-not-start") == 0 || strcmp(outcome, "did-not-crank") == 0 ||
            strcmp(outcome, "started-then-stopped") == 0);
}

static bool attempt_is_there(const struct night *night, double elapsed_s) {
    for (size_t i = 0; i < night->row_count; i++)
        if (night->rows[i].attempt && fabs(night->rows[i].elapsed_s - elapsed_s) < SAME_ATTEMPT_S)
            return true;
    return false;
}

static int add_row(struct night *night, const struct night_row *row) {
    struct night_row *grown = realloc(night->rows, (night->row_count + 1) * sizeof *night->rows);
    if (!grown)
        return -ENOMEM;
    night->rows = grown;
    night->rows[night->row_count++] = *row;
    night->attempt_count += row->attempt != NULL;
    return 0;
}

static int add_snapshot(struct night *night, size_t index) {
    const json_t *report = night->reports[index];
    struct night_row row = {
        .snapshot = night->entries[index].number,
        .path = night->entries[index].path,
        .report = report,
        .elapsed_s = json_number_value(json_object_get(report, "elapsed_s")),
    };
    const json_t *attempts = json_object_get(report, "attempts");
    double begin = row.elapsed_s;
    size_t i;
    json_t *attempt;
    bool any = false;
    json_array_foreach(attempts, i, attempt) {
        any = true;
        row.attempt = attempt;
        row.elapsed_s = begin + json_number_value(json_object_get(attempt, "from_s"));
        row.failed = row_failed(attempt, json_string_value(json_object_get(attempt, "outcome")));
        if (attempt_is_there(night, row.elapsed_s))
            continue;
        int result = add_row(night, &row);
        if (result < 0)
            return result;
    }
    if (any)
        return 0;
    row.failed = row_failed(report, NULL);
    return add_row(night, &row);
}

static int by_number(const void *a, const void *b) {
    const struct night_row *x = a;
    const struct night_row *y = b;
    if (x->snapshot != y->snapshot)
        return x->snapshot < y->snapshot ? -1 : 1;
    return (x->elapsed_s > y->elapsed_s) - (x->elapsed_s < y->elapsed_s);
}

int night_load(const struct command_line *line, struct night *night) {
    char *folder = NULL;
    if (asprintf(&folder, "%s/snapshots", line->state) < 0)
        return -ENOMEM;
    int result = snapshot_list(folder, &night->entries, &night->entry_count);
    if (result == -ENOENT)
        command_say(line, "there is no state folder %s%s", line->state,
                    line->state_given ? "" : "; name one with --state DIR");
    else if (result < 0)
        command_say(line, "%s: %s", folder, strerror(-result));
    free(folder);
    if (result < 0)
        return result;
    night->reports = calloc(night->entry_count + 1, sizeof(json_t *));
    if (!night->reports)
        return -ENOMEM;
    for (size_t i = 0; i < night->entry_count && result == 0; i++) {
        json_error_t error;
        const char *path = night->entries[i].report;
        if (path) {
            night->reports[i] = json_load_file(path, 0, &error);
            if (!night->reports[i])
                command_say(line,
                            "%s is not readable (%s); `cranktrap report %u --json --out %s` "
                            "makes it anew",
                            path, error.text, night->entries[i].number, path);
        }
        result = add_snapshot(night, i);
    }
    if (night->row_count)
        qsort(night->rows, night->row_count, sizeof *night->rows, by_number);
    return result;
}

void night_done(struct night *night) {
    for (size_t i = 0; night->reports && i < night->entry_count; i++)
        json_decref(night->reports[i]);
    free(night->reports);
    free(night->rows);
    snapshot_list_free(night->entries, night->entry_count);
    *night = (struct night){0};
}

const struct night_row *night_chosen(const struct night *night) {
    for (size_t i = night->row_count; i-- > 0;)
        if (night->rows[i].failed)
            return &night->rows[i];
    return night->row_count ? &night->rows[night->row_count - 1] : NULL;
}

size_t night_attempt_place(const struct night *night, const struct night_row *row) {
    size_t place = 0;
    for (size_t i = 0; i < night->row_count; i++) {
        place += night->rows[i].attempt != NULL;
        if (&night->rows[i] == row)
            return row->attempt ? place : 0;
    }
    return 0;
}
