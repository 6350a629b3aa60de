// SPDX-License-Identifier: Apache-2.0
/*
 * answers_test.c - the bodies of the API: their keys against docs/json.md, their values against
 * arithmetic.
 */
#include "answers.h"
#include "cmocka_helper.h"
#include "station_helper.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int set_up(void **state) {
    struct station *station = malloc(sizeof *station);
    assert_non_null(station);
    station_open(station);
    *state = station;
    return 0;
}

static int tear_down(void **state) {
    station_close(*state);
    free(*state);
    return 0;
}

/* ---- docs/json.md ---- */

/* What docs/json.md says of a schema: its section, or its row of the table. Free it. */
static char *page_of(const char *schema) {
    static char page[65536];
    char title[64];
    FILE *file = fopen(CRANKTRAP_SOURCE "/docs/json.md", "r");
    assert_non_null(file);
    page[fread(page, 1, sizeof page - 1, file)] = '\0';
    fclose(file);
    snprintf(title, sizeof title, "## %s\n", schema);
    char *begin = strstr(page, title);
    char *end = begin ? strstr(begin + strlen(title), "\n## ") : NULL;
    if (!begin) {
        snprintf(title, sizeof title, "| %s |", schema);
        begin = strstr(page, title);
        assert_non_null(begin);
        end = strchr(begin, '\n');
    }
    begin += strlen(title);
    char *part = end ? strndup(begin, (size_t)(end - begin)) : strdup(begin);
    assert_non_null(part);
    return part;
}

/* Every key of the answer stands on the page. Losses and results are keyed by their reasons. */
static void keys_are_on_page(json_t *answer, const char *page) {
    const char *key;
    json_t *value;
    json_object_foreach(answer, key, value) {
        char quoted[64];
        snprintf(quoted, sizeof quoted, "`%s`", key);
        char list[64];
        snprintf(list, sizeof list, "`%s[]`", key);
        if (strcmp(key, "schema") != 0 && strcmp(key, "software") != 0 && !strstr(page, quoted) &&
            !strstr(page, list))
            fail_msg("docs/json.md does not name %s", quoted);
        if (json_is_array(value))
            keys_are_on_page(json_array_get(value, 0), page);
        else if (json_is_object(value) && strcmp(key, "losses") != 0 && strcmp(key, "results") != 0)
            keys_are_on_page(value, page);
    }
}

/* Every `key` of the page stands in the answer. */
static void page_is_kept(const char *page, const json_t *answer) {
    char *text = json_dumps(answer, JSON_COMPACT);
    assert_non_null(text);
    for (const char *at = strchr(page, '`'); at; at = strchr(at, '`')) {
        size_t length = strcspn(++at, "`[");
        char quoted[64];
        snprintf(quoted, sizeof quoted, "\"%.*s\":", (int)length, at);
        if (!strstr(text, quoted))
            fail_msg("the answer has no %s", quoted);
        at = strchr(at, '`') + 1;
    }
    free(text);
}

static void check_page(json_t *answer, const char *schema) {
    assert_non_null(answer);
    assert_string_equal(station_text(answer, "schema"), schema);
    char *page = page_of(schema);
    keys_are_on_page(answer, page);
    page_is_kept(page, answer);
    free(page);
    json_decref(answer);
}

static void every_key_is_documented(void **state) {
    struct station *station = *state;
    station_watch(station, 2000, 3765);
    station_watch(station, 640, 3765); /* something is suppressed */
    check_page(answer_status(&station->parts), "cranktrap.status/1");
    check_page(answer_now(&station->parts, 1), "cranktrap.now/1");
    check_page(answer_snapshot(station->folder, 1, true, NULL), "cranktrap.snapshot/1");
    check_page(answer_error("no", "yes"), "cranktrap.error/1");
}

/* ---- values ---- */

static void status_of_a_board_that_has_not_come(void **state) {
    struct station *station = *state;
    json_t *status = answer_status(&station->parts);
    assert_string_equal(station_text(status, "state"), "waiting-for-board");
    assert_non_null(strstr(station_text(status, "why"), "logger"));
    assert_string_equal(station_text(status, "vehicle"), "parcel van, bay 2");
    assert_string_equal(station_text(status, "phase"), "unknown");
    const json_t *board = json_array_get(json_object_get(status, "boards"), 0);
    assert_string_equal(station_text(board, "board"), "logger");
    assert_string_equal(station_text(board, "state"), "waiting");
    assert_true(json_is_null(json_object_get(board, "newest_scan_age_s")));
    const json_t *ring = json_object_get(status, "ring");
    assert_true(json_is_null(json_object_get(ring, "error")));
    assert_true(json_is_null(json_object_get(ring, "oldest_age_s")));
    const json_t *snapshots = json_object_get(status, "snapshots");
    assert_true(json_is_true(json_object_get(snapshots, "room")));
    assert_true(json_is_null(json_object_get(snapshots, "problem")));
    json_decref(status);
}

/* The battery at 0 V: the station's trigger on it may save nothing. */
static void what_was_not_saved_is_counted(void **state) {
    struct station *station = *state;
    json_t *status = answer_status(&station->parts);
    assert_int_equal(json_array_size(json_object_get(status, "suppressed")), 0);
    json_decref(status);
    station_watch(station, 2000, 3765);
    station_watch(station, 640, 3765);
    status = answer_status(&station->parts);
    const json_t *storms = json_object_get(status, "suppressed");
    assert_int_equal(json_array_size(storms), 1);
    const json_t *storm = json_array_get(storms, 0);
    assert_string_equal(station_text(storm, "trigger"), "weak-battery");
    assert_string_equal(station_text(storm, "channel"), "battery");
    assert_int_equal(json_integer_value(json_object_get(storm, "suppressed")), 1);
    assert_true(json_number_value(json_object_get(storm, "latest_s")) == 100.0);
    json_decref(status);
}

static void what_was_never_seen_is_null(void **state) {
    struct station *station = *state;
    json_t *now = answer_now(&station->parts, 41);
    assert_int_equal(json_integer_value(json_object_get(now, "sequence")), 41);
    const json_t *channels = json_object_get(now, "channels");
    assert_int_equal(json_array_size(channels), 2);
    for (size_t i = 0; i < 2; i++) {
        const json_t *channel = json_array_get(channels, i);
        assert_true(json_is_false(json_object_get(channel, "fresh")));
        assert_true(json_is_null(json_object_get(channel, "newest")));
        assert_true(json_is_null(json_object_get(channel, "average")));
    }
    json_decref(now);
}

static void check_value(const json_t *channel, const char *key, double expected) {
    double value = json_number_value(json_object_get(channel, key));
    if (value < expected - 1e-6 || value > expected + 1e-6)
        fail_msg("%s is %.9f, not %.9f", key, value, expected);
}

static double volts(int32_t counts) {
    return (counts - STATION_ZERO) * STATION_VOLTS_PER_COUNT;
}

static void readings_are_in_volts(void **state) {
    struct station *station = *state;
    station_watch(station, 2000, 3765);
    json_t *now = answer_now(&station->parts, 1);
    const json_t *battery = json_array_get(json_object_get(now, "channels"), 0);
    const json_t *feed = json_array_get(json_object_get(now, "channels"), 1);
    assert_string_equal(station_text(battery, "role"), "battery");
    assert_string_equal(station_text(battery, "unit"), "V");
    assert_string_equal(station_text(feed, "channel"), "crank-feed");
    assert_true(json_is_true(json_object_get(battery, "fresh")));
    check_value(battery, "newest", 5.7 * volts(2000));
    check_value(battery, "average", 5.7 * volts(2000));
    check_value(feed, "lowest", volts(3765));
    check_value(feed, "latched_high", volts(3765));
    json_decref(now);
}

static void an_error_has_its_remedy_or_null(void **state) {
    (void)state;
    json_t *with = answer_error("no room", "make some");
    json_t *without = answer_error("no room", NULL);
    assert_string_equal(station_text(with, "error"), "no room");
    assert_string_equal(station_text(with, "remedy"), "make some");
    assert_true(json_is_null(json_object_get(without, "remedy")));
    json_decref(with);
    json_decref(without);
}

#define TEST(function) cmocka_unit_test_setup_teardown(function, set_up, tear_down)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(every_key_is_documented),       TEST(status_of_a_board_that_has_not_come),
        TEST(what_was_not_saved_is_counted), TEST(what_was_never_seen_is_null),
        TEST(readings_are_in_volts),         cmocka_unit_test(an_error_has_its_remedy_or_null),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
