// SPDX-License-Identifier: Apache-2.0
/*
 * mark_requests.c - what happened when: marks, and from the snapshots' reports phases, attempts and
 * losses, all in the daemon's elapsed seconds; and marks that a person sets.
 */
#include "handlers.h"

#include "fingerprint.h"
#include "kept_answers.h"
#include "marks.h"
#include "ring_notes.h"
#include "text_file.h"
#include "workers.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define REPORT_MAX    (4u << 20)
#define SAME_BOOT_S   120.0 /* elapsed and wall time tell the same night, clocks set included */
#define NOTE_MAX      500   /* bytes */
#define LISTS         3
#define STRETCH_MAX   1e7 /* seconds */
#define RECORDED_MAX  4096
#define SAME_MOMENT_S 1e-6

static const char *const lists[LISTS] = {"phases", "attempts", "losses"};

/* ---- of the reports, on a worker ---- */

/*
 * Elapsed second of a report's second 0; NAN: of another boot, as far as wall time tells. A clock
 * that was set meanwhile makes an older boot of it too: then the report is left out.
 */
static double zero_of(const struct serve_parts *parts, const json_t *report) {
    const json_t *elapsed = json_object_get(report, "elapsed_s");
    const json_t *wall = json_object_get(report, "wall_s");
    double zero_s = json_is_number(elapsed) ? json_number_value(elapsed) : (double)NAN;
    double now_s = (double)timebase_elapsed_ns(parts->timebase) * 1e-9;
    double wall_now_s = (double)timebase_wall_ns(parts->timebase) * 1e-9;
    if (!json_is_number(wall))
        return zero_s <= now_s ? zero_s : (double)NAN;
    double expected_s = wall_now_s - (now_s - zero_s);
    return fabs(json_number_value(wall) - expected_s) < SAME_BOOT_S ? zero_s : (double)NAN;
}

/* An entry with its seconds on the daemon's axis, and the number of its snapshot. */
static json_t *moved(json_t *entry, double zero_s, unsigned number) {
    json_t *copy = json_copy(entry);
    static const char *const keys[] = {"from_s", "to_s"};
    for (size_t i = 0; copy && i < sizeof keys / sizeof *keys; i++) {
        const json_t *at = json_object_get(entry, keys[i]);
        if (json_is_number(at))
            json_object_set_new(copy, keys[i], json_real(json_number_value(at) + zero_s));
    }
    json_object_del(copy, "verdict"); /* the report has it */
    json_object_set_new(copy, "snapshot", json_integer(number));
    return copy;
}

static void add_report(const struct serve_parts *parts, const struct snapshot_entry *entry,
                       json_t *all) {
    char *text = NULL;
    size_t length = 0;
    if (!entry->report || text_file_read(entry->report, REPORT_MAX, &text, &length) < 0)
        return;
    json_t *report = json_loadb(text, length, 0, NULL);
    free(text);
    double zero_s = zero_of(parts, report);
    for (size_t list = 0; isfinite(zero_s) && list < LISTS; list++) {
        const json_t *entries = json_object_get(report, lists[list]);
        for (size_t i = 0; i < json_array_size(entries); i++)
            json_array_append_new(json_object_get(all, lists[list]),
                                  moved(json_array_get(entries, i), zero_s, entry->number));
    }
    json_decref(report);
}

static json_t *read_reports(const struct serve *serve) {
    struct snapshot_entry *entries = NULL;
    size_t count = 0;
    json_t *all = json_pack("{s:[], s:[], s:[]}", lists[0], lists[1], lists[2]);
    if (snapshot_list(serve->snapshot_folder, &entries, &count) < 0)
        return all;
    for (size_t i = 0; i < count; i++)
        add_report(&serve->parts, &entries[i], all);
    snapshot_list_free(entries, count);
    return all;
}

/* All reports together, kept until one of them changes. */
static json_t *all_of_reports(struct request *request) {
    static const char *const endings[] = {".crank", ".json", NULL};
    static const char what[] = "ring/marks";
    char etag[24];
    uint64_t print = fingerprint_of_folder(request->serve->snapshot_folder, endings);
    fingerprint_text(fingerprint_add(print, what, sizeof what), etag);
    request->if_none_match[0] = '\0'; /* it is of the parts, not of the answer */
    if (!kept_answers_known(request, etag)) {
        answer_is_json(&request->answer, read_reports(request->serve));
        kept_answers_keep(request, etag);
    }
    json_t *all = request->answer.bytes
                      ? json_loadb(request->answer.bytes, request->answer.size, 0, NULL)
                      : NULL;
    answer_clear(&request->answer);
    return all;
}

static json_t *between(const json_t *entries, double from_s, double to_s) {
    json_t *list = json_array();
    for (size_t i = 0; i < json_array_size(entries); i++) {
        json_t *entry = json_array_get(entries, i);
        const json_t *to = json_object_get(entry, "to_s");
        double begins_s = json_number_value(json_object_get(entry, "from_s"));
        double ends_s = json_is_number(to) ? json_number_value(to) : begins_s;
        if (ends_s >= from_s && begins_s <= to_s)
            json_array_append(list, entry);
    }
    return list;
}

/* ---- of the record ---- */

static bool is_listed(const json_t *marks, double at_s, const char *name) {
    for (size_t i = 0; i < json_array_size(marks); i++) {
        const json_t *mark = json_array_get(marks, i);
        const char *other = json_string_value(json_object_get(mark, "name"));
        double other_s = json_number_value(json_object_get(mark, "at_s"));
        if (fabs(other_s - at_s) < SAME_MOMENT_S && other && strcmp(other, name) == 0)
            return true;
    }
    return false;
}

/* Those since the start of the daemon, which are listed, and those that are in the ring besides. */
struct all_marks {
    json_t *listed, *recorded;
};

static void add_recorded(void *context, int64_t at_ns, const char *text) {
    const struct all_marks *all = context;
    json_t *mark = json_loads(text, 0, NULL);
    const char *kind = json_string_value(json_object_get(mark, "kind"));
    const char *name = json_string_value(json_object_get(mark, "trigger"));
    const char *words = json_string_value(json_object_get(mark, "text"));
    double at_s = (double)at_ns * 1e-9;
    if (kind && strcmp(kind, "trigger") == 0 && name &&
        json_array_size(all->recorded) < RECORDED_MAX && !is_listed(all->listed, at_s, name))
        json_array_append_new(all->recorded,
                              json_pack("{s:f, s:s, s:s, s:n}", "at_s", at_s, "name", name, "text",
                                        words ? words : "", "snapshot"));
    json_decref(mark);
}

static json_t *marks_of(const struct request *request) {
    struct ring_notes *notes = request->serve->notes;
    struct all_marks all = {
        marks_between(request->serve->parts.marks, request->from_s, request->to_s), json_array()};
    (void)ring_notes_look(notes, RING_NOTES_BUDGET_NS);
    ring_notes_marks(notes, (int64_t)(request->from_s * 1e9), (int64_t)(request->to_s * 1e9),
                     add_recorded, &all);
    json_array_extend(all.recorded, all.listed);
    json_decref(all.listed);
    return all.recorded;
}

static void work_on_marks(struct request *request) {
    json_t *all = all_of_reports(request);
    json_t *json = json_object();
    json_object_set_new(json, "schema", json_string("cranktrap.marks/1"));
    json_object_set_new(json, "from_s", json_real(request->from_s));
    json_object_set_new(json, "to_s", json_real(request->to_s));
    json_object_set_new(json, "marks", marks_of(request));
    for (size_t i = 0; i < LISTS; i++)
        json_object_set_new(
            json, lists[i],
            between(json_object_get(all, lists[i]), request->from_s, request->to_s));
    json_decref(all);
    answer_is_json(&request->answer, json);
}

enum MHD_Result get_marks(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    double now_s = (double)timebase_elapsed_ns(serve->parts.timebase) * 1e-9;
    if (!request->worked &&
        (!query_real(request, "from_s", 0, &request->from_s) ||
         !query_real(request, "to_s", now_s, &request->to_s) || request->from_s > request->to_s ||
         fabs(request->from_s) > STRETCH_MAX || fabs(request->to_s) > STRETCH_MAX))
        return send_error(request->connection, MHD_HTTP_BAD_REQUEST,
                          "from_s and to_s are seconds, from_s before to_s", NULL);
    return hand_over(request, serve->drawing, work_on_marks);
}

/* ---- of a person ---- */

static enum MHD_Result set_mark(struct request *request, int64_t at_ns, const char *name,
                                const char *text) {
    const struct serve_parts *parts = &request->serve->parts;
    int result = parts->note(parts->context, at_ns, name, text);
    if (result < 0)
        return send_error(request->connection, MHD_HTTP_INTERNAL_SERVER_ERROR, strerror(-result),
                          NULL);
    marks_add(parts->marks, at_ns, name, text, 0);
    return send_json(request->connection, MHD_HTTP_OK,
                     json_pack("{s:s, s:f, s:s, s:s}", "schema", "cranktrap.mark/1", "at_s",
                               (double)at_ns * 1e-9, "name", name, "text", text));
}

enum MHD_Result post_notes(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    double now_s = (double)timebase_elapsed_ns(serve->parts.timebase) * 1e-9;
    json_t *body = read_body(request);
    const json_t *at = json_object_get(body, "at_s");
    const char *text = json_string_value(json_object_get(body, "text"));
    double at_s = json_is_number(at) ? json_number_value(at) : now_s;
    enum MHD_Result result;
    if (!text || !*text || strlen(text) > NOTE_MAX ||
        (at && !json_is_null(at) && !json_is_number(at)) || at_s < 0 || at_s > now_s)
        result = send_error(request->connection, MHD_HTTP_BAD_REQUEST,
                            "allowed: {\"text\": at most 500 bytes, \"at_s\": elapsed seconds, not "
                            "in the future}",
                            NULL);
    else
        result = set_mark(request, (int64_t)(at_s * 1e9), "note", text);
    json_decref(body);
    return result;
}

/* A phone's time, for a logger that does not know the date: said, and nothing counts on it. */
enum MHD_Result post_clock(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    json_t *body = read_body(request);
    const json_t *utc = json_object_get(body, "utc_ms");
    double utc_ms = json_is_number(utc) ? json_number_value(utc) : -1;
    json_decref(body);
    if (!(utc_ms >= 0 && utc_ms < 1e14))
        return send_error(request->connection, MHD_HTTP_BAD_REQUEST,
                          "allowed: {\"utc_ms\": milliseconds since 1970}", NULL);
    time_t seconds = (time_t)(utc_ms / 1000);
    struct tm utc_time;
    char date[40], text[96];
    if (!gmtime_r(&seconds, &utc_time) ||
        !strftime(date, sizeof date, "%Y-%m-%dT%H:%M:%SZ", &utc_time))
        return MHD_NO;
    snprintf(text, sizeof text, "a phone says it is %s", date);
    return set_mark(request, timebase_elapsed_ns(serve->parts.timebase), "clock", text);
}
