// SPDX-License-Identifier: Apache-2.0
/*
 * list.c - `cranktrap list`: attempts and snapshots of a state folder, a line each, and what was
 * said of them.
 */
#include "command.h"
#include "json_value.h"
#include "list_change.h"
#include "night.h"
#include "print.h"
#include "remark.h"
#include "standing.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* Wall time of `at_s` of the report's axis as "2026-01-15 04:12:07"; "-": not known. */
static void wall_of(const json_t *report, double at_s, char *out, size_t size) {
    const json_t *wall = json_object_get(report, "wall_s");
    time_t seconds = (time_t)(json_number_value(wall) + at_s);
    struct tm local;
    if (!json_is_number(wall) || !localtime_r(&seconds, &local) ||
        !strftime(out, size, "%Y-%m-%d %H:%M:%S", &local))
        snprintf(out, size, "-");
}

static const json_t *verdict_of(const struct night_row *row) {
    return json_object_get(row->attempt ? row->attempt : row->report, "verdict");
}

static double moment_of(const struct night_row *row) {
    if (row->attempt)
        return json_number_value(json_object_get(row->attempt, "from_s"));
    const json_t *at = json_object_get(verdict_of(row), "at_s");
    return json_is_number(at) ? json_number_value(at) : 0;
}

/* "sensor crank: feed-collapse, shown". */
static void verdict_text(const struct night_row *row, char *out, size_t size) {
    const json_t *verdict = verdict_of(row);
    if (!row->report) {
        snprintf(out, size, "not analysed yet");
        return;
    }
    const char *sensor = text_of(verdict, "sensor");
    const char *channel = text_of(verdict, "channel");
    const char *fault = text_of(verdict, "fault");
    const char *certainty = text_of(verdict, "certainty");
    const char *subject = sensor ? sensor : channel;
    snprintf(out, size, "%s%s%s, %s", fault ? fault : "-", subject ? " of " : "",
             subject ? subject : "", certainty ? certainty : "-");
}

/* What was said of the row's snapshot; nothing where it cannot be read. */
static struct remark remark_of(const struct command_line *line, const struct night_row *row,
                               enum standing *standing) {
    struct remark remark = {0};
    char *folder = NULL;
    if (asprintf(&folder, "%s/snapshots", line->state) < 0)
        return remark;
    int result = remark_read(folder, row->snapshot, &remark);
    if (result < 0)
        command_say(line, "%s/%04u.note cannot be read (%s); its snapshot counts as held", folder,
                    row->snapshot, command_why(result));
    *standing = standing_of(folder, row->snapshot);
    free(folder);
    return remark;
}

/* "reviewed, good: after the new splice" on a line of its own, where anything was said. */
static void print_remark(const struct remark *remark) {
    const char *const said[] = {remark->reviewed ? "reviewed" : NULL, remark->hold ? "held" : NULL,
                                remark->good ? "good" : NULL};
    const char *const none = "      ";
    const char *between = none;
    for (size_t i = 0; i < sizeof said / sizeof said[0]; i++) {
        if (!said[i])
            continue;
        printf("%s%s", between, said[i]);
        between = ", ";
    }
    if (remark->text[0])
        printf("%s%s", between == none ? none : ": ", remark->text);
    if (remark->text[0] || between != none)
        putchar('\n');
}

static void print_row(const struct night_row *row, bool needs_a_look) {
    char wall[40], verdict[128], rpm[16] = "-";
    wall_of(row->report, moment_of(row), wall, sizeof wall);
    verdict_text(row, verdict, sizeof verdict);
    const json_t *speed = json_object_get(row->attempt, "rpm");
    if (json_is_number(speed))
        snprintf(rpm, sizeof rpm, "%.0f", json_number_value(speed));
    const char *outcome = row->attempt ? text_of(row->attempt, "outcome") : "(no attempt)";
    printf("%s%4u %-14s %-20s %4s %s\n", needs_a_look ? "*" : " ", row->snapshot,
           strlen(wall) > 5 ? wall + 5 : wall /* the year is in --json */, outcome, rpm, verdict);
}

static json_t *row_json(const struct command_line *line, const struct night_row *row) {
    enum standing standing = STANDING_UNREVIEWED;
    struct remark remark = remark_of(line, row, &standing);
    json_t *json = json_object();
    json_object_set_new(json, "number", json_integer(row->snapshot));
    json_object_set_new(json, "file", json_string(row->path));
    char wall[40];
    wall_of(row->report, moment_of(row), wall, sizeof wall);
    json_object_set_new(json, "wall", wall[0] == '-' ? json_null() : json_string(wall));
    json_object_set_new(json, "elapsed_s", row->report ? json_real(row->elapsed_s) : json_null());
    json_object_set_new(json, "failed", json_boolean(row->failed));
    const char *outcome = row->attempt ? text_of(row->attempt, "outcome") : NULL;
    json_object_set_new(json, "outcome", outcome ? json_string(outcome) : json_null());
    json_t *verdict = row->report ? json_deep_copy(verdict_of(row)) : json_null();
    json_object_set_new(json, "verdict", verdict);
    json_object_set_new(json, "reviewed", json_boolean(remark.reviewed));
    json_object_set_new(json, "hold", json_boolean(remark.hold));
    json_object_set_new(json, "good", json_boolean(remark.good));
    json_object_set_new(json, "note", remark.text[0] ? json_string(remark.text) : json_null());
    json_object_set_new(json, "standing", json_string(standing_name(standing)));
    return json;
}

/* The last row of its snapshot: a remark is of the snapshot, not of each attempt in it. */
static bool is_last_of_snapshot(const struct night *night, size_t row) {
    return row + 1 == night->row_count ||
           night->rows[row + 1].snapshot != night->rows[row].snapshot;
}

static void print_night(const struct command_line *line, const struct night *night) {
    printf(" %4s %-14s %-20s %4s %s\n", "No.", "time", "outcome", "rpm", "verdict");
    size_t looks = 0;
    for (size_t i = 0; i < night->row_count; i++) {
        enum standing standing = STANDING_UNREVIEWED;
        struct remark remark = remark_of(line, &night->rows[i], &standing);
        bool needs_a_look = night->rows[i].failed && !remark.reviewed;
        print_row(&night->rows[i], needs_a_look);
        if (is_last_of_snapshot(night, i))
            print_remark(&remark);
        looks += needs_a_look;
    }
    printf("%zu attempt%s in %zu snapshot%s; %zu need%s a look%s\n", night->attempt_count,
           night->attempt_count == 1 ? "" : "s", night->entry_count,
           night->entry_count == 1 ? "" : "s", looks, looks == 1 ? "s" : "",
           looks ? " (*): `cranktrap report NUMBER`, then `list --reviewed NUMBER`" : "");
}

int command_list(const struct command_line *given) {
    struct command_line line = *given;
    unsigned changes = 0;
    int wrong = list_change(&line, &changes);
    if (wrong || (changes && !line.json))
        return wrong;
    struct night night = {0};
    int result = night_load(&line, &night);
    int status = result < 0 ? COMMAND_COULD_NOT : COMMAND_DONE;
    if (result == 0 && line.json) {
        json_t *rows = json_array();
        for (size_t i = 0; i < night.row_count; i++)
            json_array_append_new(rows, row_json(&line, &night.rows[i]));
        status =
            print_json(json_pack("{s:s, s:o}", "schema", "cranktrap.list/1", "attempts", rows));
    } else if (result == 0 && night.row_count == 0) {
        puts("Nothing was caught yet: no attempt, no trigger.");
    } else if (result == 0) {
        print_night(&line, &night);
    }
    night_done(&night);
    return status;
}
