// SPDX-License-Identifier: Apache-2.0
/*
 * night.c - puts snapshots, reports and attempts together.
 */
#include "night.h"

#include "report.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

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

/* An imported recording begins at elapsed time 0, as all of them do: each is its own. */
static bool attempt_is_there(const struct night *night, const json_t *report, double elapsed_s) {
    if (!(json_number_value(json_object_get(report, "elapsed_s")) > 0))
        return false;
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
        if (attempt_is_there(night, report, row.elapsed_s))
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

static int list_folder(const struct command_line *line, struct night *night) {
    char *folder = NULL;
    if (asprintf(&folder, "%s/snapshots", line->state) < 0)
        return -ENOMEM;
    int result = snapshot_list(folder, &night->entries, &night->entry_count);
    if (result == -ENOENT)
        command_say(line, "there is no state folder %s%s", line->state,
                    line->state_given ? "" : "; name one with --state DIR");
    else if (result < 0)
        command_say(line, "%s: %s", folder, command_why(result));
    free(folder);
    return result;
}

static int list_files(char *const *paths, size_t count, struct night *night) {
    night->entries = calloc(count, sizeof *night->entries);
    if (!night->entries)
        return -ENOMEM;
    for (size_t i = 0; i < count; i++) {
        night->entries[i] = (struct snapshot_entry){.number = (unsigned)i + 1};
        night->entries[i].path = strdup(paths[i]);
        if (!night->entries[i].path)
            return -ENOMEM;
        night->entry_count = i + 1;
    }
    return 0;
}

/* NULL: there is none, or (said) it cannot be read. */
static json_t *stored_report(const struct command_line *line, const struct snapshot_entry *entry) {
    json_error_t error;
    json_t *report = entry->report ? json_load_file(entry->report, 0, &error) : NULL;
    if (entry->report && !report)
        command_say(line,
                    "%s is not readable (%s); `cranktrap report %u --json --out %s` "
                    "makes it anew",
                    entry->report, error.text, entry->number, entry->report);
    return report;
}

static bool is_of_this_version(const json_t *report) {
    const char *software = json_string_value(json_object_get(report, "software"));
    return software && strcmp(software, "cranktrap " CRANKTRAP_VERSION) == 0;
}

/* NULL: it cannot be analysed (said). */
static json_t *fresh_report(const struct command_line *line, const char *path) {
    struct report *report = NULL;
    char why[512] = "";
    int result = report_make(path, NULL, NULL, &report, why, sizeof why);
    char *text = result == 0 ? report_json(report) : NULL;
    json_t *json = text ? json_loads(text, 0, NULL) : NULL;
    if (!json)
        command_say(line, "%s: %s", path, why[0] ? why : command_why(result ? result : -ENOMEM));
    free(text);
    report_free(report);
    return json;
}

static int read_reports(const struct command_line *line, bool analyse, struct night *night) {
    night->reports = calloc(night->entry_count + 1, sizeof(json_t *));
    if (!night->reports)
        return -ENOMEM;
    int result = 0;
    for (size_t i = 0; i < night->entry_count && result == 0; i++) {
        json_t *report = stored_report(line, &night->entries[i]);
        if (analyse && !is_of_this_version(report)) {
            json_t *fresh = fresh_report(line, night->entries[i].path);
            if (fresh) {
                json_decref(report);
                report = fresh;
            }
        }
        night->reports[i] = report;
        result = add_snapshot(night, i);
    }
    if (night->row_count)
        qsort(night->rows, night->row_count, sizeof *night->rows, by_number);
    return result;
}

int night_load(const struct command_line *line, struct night *night) {
    int result = list_folder(line, night);
    return result < 0 ? result : read_reports(line, false, night);
}

int night_load_analysed(const struct command_line *line, char *const *paths, size_t count,
                        struct night *night) {
    int result = count ? list_files(paths, count, night) : list_folder(line, night);
    return result < 0 ? result : read_reports(line, true, night);
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

double night_begin(const struct command_line *line) {
    char *path = NULL;
    if (asprintf(&path, "%s/night.json", line->state) < 0)
        return (double)NAN;
    json_t *note = json_load_file(path, 0, NULL);
    const json_t *since = json_object_get(note, "since_s");
    double since_s = json_is_number(since) ? json_number_value(since) : (double)NAN;
    if (access(path, F_OK) == 0 && isnan(since_s))
        command_say(line, "%s cannot be read: taking all attempts (`--since TIME` chooses)", path);
    json_decref(note);
    free(path);
    return since_s;
}
