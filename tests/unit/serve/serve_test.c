// SPDX-License-Identifier: Apache-2.0
/*
 * serve_test.c - requests over the real socket: docs/api.md, wrong calls, waiting, and clients
 * that do not wait for their answer.
 */
#include "cmocka_helper.h"
#include "station_helper.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

enum { BODY_MAX = 4096, WAITERS = 20 }; /* docs/api.md: a body may have 4096 bytes */

static int set_up(void **state) {
    struct station *station = malloc(sizeof *station);
    assert_non_null(station);
    station_open(station);
    station_serve(station);
    *state = station;
    return 0;
}

static int tear_down(void **state) {
    station_close(*state);
    free(*state);
    return 0;
}

/* Asks, and checks status and schema. */
static void check(const struct station *station, const char *method, const char *path,
                  const char *body, int status, const char *schema) {
    json_t *answer = NULL;
    int got = station_ask(station, method, path, body, &answer);
    if (got != status || strcmp(station_text(answer, "schema"), schema) != 0)
        fail_msg("%s %s: status %d, schema \"%s\"", method, path, got,
                 station_text(answer, "schema"));
    if (status >= 400)
        assert_true(station_text(answer, "error")[0] != '\0');
    json_decref(answer);
}

/* ---- calls ---- */

static void answers_what_it_is_asked(void **state) {
    const struct station *station = *state;
    check(station, "GET", "/v0/status", NULL, 200, "cranktrap.status/1");
    check(station, "GET", "/v0/now", NULL, 200, "cranktrap.now/1");
    check(station, "POST", "/v0/keep", NULL, 202, "cranktrap.keep/1");
    check(station, "POST", "/v0/latch", NULL, 200, ""); /* {} */
}

static void latch_forgets_the_extremes(void **state) {
    struct station *station = *state;
    struct watch_reading reading;
    station_watch(station, 2000, 3765);
    watch_reading(station->parts.watch, 0, &reading);
    assert_true(reading.latched_high > 0);
    check(station, "POST", "/v0/latch", NULL, 200, "");
    watch_reading(station->parts.watch, 0, &reading);
    assert_false(reading.latched_high > 0);
}

static void wrong_paths(void **state) {
    static const char *const paths[] = {"/v0",
                                        "/page/nothing.js",
                                        "/page/../status",
                                        "/v0/",
                                        "/v1/status",
                                        "/v0/statuses",
                                        "/v0/status/",
                                        "/v0/snapshots",
                                        "/v0/snapshots/",
                                        "/v0/snapshots/one",
                                        "/v0/snapshots/0",
                                        "/v0/snapshots/-1",
                                        "/v0/snapshots/1x",
                                        "/v0/snapshots/99999999999999999999",
                                        "/v0/snapshots/../status",
                                        "/v0/snapshots/7"}; /* none was ever asked for */
    for (size_t i = 0; i < sizeof paths / sizeof *paths; i++)
        check(*state, "GET", paths[i], NULL, 404, "cranktrap.error/1");
}

static void wrong_methods(void **state) {
    static const char *const calls[][2] = {{"POST", "/v0/status"},
                                           {"PUT", "/v0/now"},
                                           {"GET", "/v0/latch"},
                                           {"GET", "/v0/keep"},
                                           {"PUT", "/v0/snapshots/1"}};
    for (size_t i = 0; i < sizeof calls / sizeof *calls; i++)
        check(*state, calls[i][0], calls[i][1], NULL, 405, "cranktrap.error/1");
    assert_int_equal(((const struct station *)*state)->kept, 0);
}

/* ---- keep ---- */

static void keep_hands_on_what_was_said(void **state) {
    struct station *station = *state;
    json_t *answer = NULL;
    assert_int_equal(station_ask(station, "POST", "/v0/keep",
                                 "{\"before_s\": 1.5, \"after_s\": 0, \"text\": \"it did it\"}",
                                 &answer),
                     202);
    assert_int_equal(json_integer_value(json_object_get(answer, "number")), 17);
    json_decref(answer);
    assert_true(station->before_s == 1.5 && station->after_s == 0);
    assert_string_equal(station->text, "it did it");
    check(station, "POST", "/v0/keep", "{\"before_s\": null}", 202, "cranktrap.keep/1");
    assert_true(station->before_s == 7 && station->after_s == 3); /* the hookup's [storage] */
    assert_string_equal(station->text, "(none)");
}

/* About a moment that is over: nothing is left to wait for. */
static void keep_of_a_moment_before(void **state) {
    struct station *station = *state;
    json_t *answer = NULL;
    double now_s = (double)timebase_elapsed_ns(station->parts.timebase) * 1e-9;
    char body[80];
    snprintf(body, sizeof body, "{\"at_s\": %.6f, \"after_s\": 0}", now_s / 2);
    assert_int_equal(station_ask(station, "POST", "/v0/keep", body, &answer), 202);
    assert_true(llabs(station->at_ns - (int64_t)(now_s / 2 * 1e9)) < 1000);
    assert_true(json_number_value(json_object_get(answer, "finished_in_s")) == 0);
    json_decref(answer);
    snprintf(body, sizeof body, "{\"at_s\": %.6f}", now_s + 3600);
    check(station, "POST", "/v0/keep", body, 400, "cranktrap.error/1");
    check(station, "POST", "/v0/keep", "{\"at_s\": -1}", 400, "cranktrap.error/1");
    assert_int_equal(station->kept, 1);
}

static void keep_refuses_what_it_cannot_read(void **state) {
    static const char *const bodies[] = {"{",
                                         "[1, 2]",
                                         "20",
                                         "before_s=20",
                                         "{\"before_s\": -1}",
                                         "{\"before_s\": \"soon\"}",
                                         "{\"after_s\": true}",
                                         "{\"before_s\": 3600.5}",
                                         "{\"after_s\": 1e300}"};
    struct station *station = *state;
    for (size_t i = 0; i < sizeof bodies / sizeof *bodies; i++)
        check(station, "POST", "/v0/keep", bodies[i], 400, "cranktrap.error/1");
    assert_int_equal(station->kept, 0);
}

static void keep_without_room(void **state) {
    struct station *station = *state;
    json_t *answer = NULL;
    station->keep_result = -ENOSPC;
    assert_int_equal(station_ask(station, "POST", "/v0/keep", NULL, &answer), 507);
    assert_non_null(strstr(station_text(answer, "error"), "marked"));
    assert_true(station_text(answer, "remedy")[0] != '\0');
    json_decref(answer);
    station->keep_result = -ENOMEM;
    check(station, "POST", "/v0/keep", NULL, 500, "cranktrap.error/1");
}

static int keep_of_size(const struct station *station, size_t size) {
    char *body = malloc(size);
    assert_non_null(body);
    memset(body, ' ', size);
    body[0] = '{';
    body[size - 1] = '}';
    int connection = station_connect(station);
    station_send(connection, "POST", "/v0/keep", body, size);
    free(body);
    return station_receive(connection, NULL);
}

static void a_body_has_its_bound(void **state) {
    struct station *station = *state;
    assert_int_equal(keep_of_size(station, BODY_MAX), 202);
    assert_int_equal(station->kept, 1);
    assert_int_equal(keep_of_size(station, BODY_MAX + 1), 413);
    assert_int_equal(keep_of_size(station, 100000), 413);
    assert_int_equal(station->kept, 1);
    check(station, "GET", "/v0/status", NULL, 200, "cranktrap.status/1");
}

/* ---- waiting ---- */

static json_int_t sequence_of(const struct station *station, const char *path) {
    json_t *answer = NULL;
    assert_int_equal(station_ask(station, "GET", path, NULL, &answer), 200);
    json_int_t sequence = json_integer_value(json_object_get(answer, "sequence"));
    json_decref(answer);
    return sequence;
}

static void wait_for_next(const struct station *station, int *connection) {
    char path[64];
    snprintf(path, sizeof path, "/v0/now?after=%lld", (long long)sequence_of(station, "/v0/now"));
    *connection = station_connect(station);
    station_send(*connection, "GET", path, NULL, 0);
}

static void now_waits_for_a_newer_reading(void **state) {
    json_int_t last = sequence_of(*state, "/v0/now");
    for (int i = 0; i < 2; i++) {
        char path[64];
        snprintf(path, sizeof path, "/v0/now?after=%lld", (long long)last);
        json_int_t next = sequence_of(*state, path);
        assert_true(next > last);
        last = next;
    }
    assert_true(sequence_of(*state, "/v0/now?after=soon") >= last); /* nothing to wait for */
}

static void those_who_wait_hold_up_nobody(void **state) {
    const struct station *station = *state;
    int waiting[WAITERS];
    for (size_t i = 0; i < WAITERS; i++) {
        waiting[i] = station_connect(station);
        station_send(waiting[i], "GET", "/v0/now?after=1000000", NULL, 0);
    }
    check(station, "GET", "/v0/status", NULL, 200, "cranktrap.status/1");
    for (size_t i = 0; i < WAITERS; i++) {
        char byte;
        assert_int_equal(recv(waiting[i], &byte, 1, MSG_DONTWAIT), -1); /* they still wait */
        close(waiting[i]);
    }
}

static void a_client_goes_away_while_it_waits(void **state) {
    struct station *station = *state;
    for (int i = 0; i < 3; i++) {
        int connection;
        wait_for_next(station, &connection);
        close(connection);
    }
    int stays;
    wait_for_next(station, &stays);
    assert_int_equal(station_receive(stays, NULL), 200);
    int cut = station_connect(station); /* and one in the middle of its request */
    assert_true(send(cut, "POST /v0/keep HT", 16, MSG_NOSIGNAL) == 16);
    close(cut);
    check(station, "GET", "/v0/status", NULL, 200, "cranktrap.status/1");
    assert_int_equal(station->kept, 0);
}

static void a_snapshot_is_waited_for(void **state) {
    struct station *station = *state;
    struct timebase *timebase = station->parts.timebase;
    int64_t now = timebase_elapsed_ns(timebase);
    const struct snapshot_request request = {.trigger = "manual",
                                             .text = "by a test",
                                             .at_ns = now,
                                             .from_ns = now,
                                             .to_ns = now + 1000000000};
    char path[64];
    json_t *answer = NULL;
    int number = snapshots_request(station->parts.snapshots, &request);
    assert_true(number > 0);
    snprintf(path, sizeof path, "/v0/snapshots/%d", number);
    assert_int_equal(station_ask(station, "GET", path, NULL, &answer), 200);
    assert_true(json_is_false(json_object_get(answer, "finished")));
    assert_true(json_is_null(json_object_get(answer, "error"))); /* it is under way */
    json_decref(answer);

    snprintf(path, sizeof path, "/v0/snapshots/%d?wait=60", number);
    int connection = station_connect(station);
    station_send(connection, "GET", path, NULL, 0);
    timebase_drive(timebase, 5000000000); /* its second is over; the ring holds nothing of it */
    assert_int_equal(station_receive(connection, &answer), 200);
    assert_true(json_is_false(json_object_get(answer, "finished")));
    assert_true(station_text(answer, "error")[0] != '\0');
    json_decref(answer);
}

static void put_snapshot(const struct station *station, const char *name) {
    char path[160];
    snprintf(path, sizeof path, "%s/snapshots/%s", station->folder, name);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs("{}", file); /* as a report: one that says nothing */
    assert_int_equal(fclose(file), 0);
}

static void what_is_said_of_a_snapshot(void **state) {
    static const char at[] = "/v0/snapshots/3";
    struct station *station = *state;
    json_t *answer = NULL;
    check(station, "POST", at, "{\"good\": true}", 404, "cranktrap.error/1");
    check(station, "DELETE", at, NULL, 404, "cranktrap.error/1");
    put_snapshot(station, "0003.crank");
    put_snapshot(station, "0003.json");
    assert_int_equal(
        station_ask(station, "POST", at, "{\"good\": true, \"note\": \"b 3\"}", &answer), 200);
    assert_true(json_is_true(json_object_get(answer, "good")));
    assert_true(json_is_false(json_object_get(answer, "reviewed")));
    assert_string_equal(station_text(answer, "note"), "b 3");
    assert_string_equal(station_text(answer, "standing"), "good");
    json_decref(answer);
    check(station, "DELETE", at, NULL, 409, "cranktrap.error/1");
    check(station, "POST", at, "{\"good\": false}", 200, "cranktrap.snapshot/1");
    check(station, "DELETE", at, NULL, 409, "cranktrap.error/1"); /* nobody has reviewed it */
    check(station, "POST", at, "{\"reviewed\": true}", 200, "cranktrap.snapshot/1");
    assert_int_equal(station_ask(station, "GET", at, NULL, &answer), 200);
    assert_string_equal(station_text(answer, "note"), "b 3");
    json_decref(answer);
    check(station, "DELETE", at, NULL, 200, "");
    check(station, "GET", at, NULL, 404, "cranktrap.error/1");
}

static void what_cannot_be_said_of_a_snapshot(void **state) {
    static const char *const bodies[] = {"{", "[]", "{\"good\": 1}", "{\"hold\": \"yes\"}",
                                         "{\"note\": true}"};
    struct station *station = *state;
    json_t *answer = NULL;
    put_snapshot(station, "0003.crank");
    for (size_t i = 0; i < sizeof bodies / sizeof *bodies; i++)
        check(station, "POST", "/v0/snapshots/3", bodies[i], 400, "cranktrap.error/1");
    assert_int_equal(station_ask(station, "GET", "/v0/snapshots/3", NULL, &answer), 200);
    assert_true(json_is_null(json_object_get(answer, "note")));
    assert_true(json_is_false(json_object_get(answer, "hold")));
    json_decref(answer);
}

static void stops_while_somebody_waits(void **state) {
    struct station *station = *state;
    int connection = station_connect(station);
    station_send(connection, "GET", "/v0/now?after=1000000", NULL, 0);
    check(station, "GET", "/v0/status", NULL, 200, "cranktrap.status/1");
    serve_stop(station->serve);
    station->serve = NULL;
    int status = station_receive(connection, NULL);
    assert_true(status == 200 || status == 0); /* answered or closed, but not left alone */
    serve_stop(NULL);
}

/* ---- the socket ---- */

static void the_socket_is_for_its_group(void **state) {
    const struct station *station = *state;
    struct stat status;
    assert_int_equal(lstat(station->socket_path, &status), 0);
    assert_true(S_ISSOCK(status.st_mode));
    assert_int_equal(status.st_mode & 07777, 0660);
}

static void a_living_socket_is_left_alone(void **state) {
    struct station *station = *state;
    struct serve *second = NULL;
    assert_int_equal(serve_start(station->socket_path, &station->parts, &second), -EADDRINUSE);
    assert_null(second);
    check(station, "GET", "/v0/status", NULL, 200, "cranktrap.status/1");
    serve_stop(station->serve);
    station->serve = NULL;
    assert_int_equal(access(station->socket_path, F_OK), -1);
}

static void a_stale_socket_is_replaced(void **state) {
    struct station *station = *state;
    char kept[128];
    snprintf(kept, sizeof kept, "%s.kept", station->socket_path);
    assert_int_equal(rename(station->socket_path, kept), 0); /* so that stopping leaves it */
    serve_stop(station->serve);
    station->serve = NULL;
    assert_int_equal(rename(kept, station->socket_path), 0);
    station_serve(station);
    check(station, "GET", "/v0/status", NULL, 200, "cranktrap.status/1");
}

static void what_is_no_socket_is_left_alone(void **state) {
    struct station *station = *state;
    struct serve *none = NULL;
    char path[256];
    snprintf(path, sizeof path, "%s/letter", station->folder);
    FILE *letter = fopen(path, "w");
    assert_non_null(letter);
    fputs("Dear customer", letter);
    fclose(letter);
    assert_int_equal(serve_start(path, &station->parts, &none), -EEXIST);
    struct stat status;
    assert_int_equal(stat(path, &status), 0);
    assert_int_equal(status.st_size, 13);
    memset(path, 'x', sizeof path - 1);
    path[sizeof path - 1] = '\0';
    assert_int_equal(serve_start(path, &station->parts, &none), -ENAMETOOLONG);
    assert_int_equal(serve_start("/nowhere/at/all", &station->parts, &none), -ENOENT);
    assert_null(none);
}

#define TEST(function) cmocka_unit_test_setup_teardown(function, set_up, tear_down)

int main(void) {
    const struct CMUnitTest tests[] = {
        TEST(answers_what_it_is_asked),
        TEST(latch_forgets_the_extremes),
        TEST(wrong_paths),
        TEST(wrong_methods),
        TEST(keep_hands_on_what_was_said),
        TEST(keep_of_a_moment_before),
        TEST(keep_refuses_what_it_cannot_read),
        TEST(keep_without_room),
        TEST(a_body_has_its_bound),
        TEST(now_waits_for_a_newer_reading),
        TEST(those_who_wait_hold_up_nobody),
        TEST(a_client_goes_away_while_it_waits),
        TEST(a_snapshot_is_waited_for),
        TEST(what_is_said_of_a_snapshot),
        TEST(what_cannot_be_said_of_a_snapshot),
        TEST(stops_while_somebody_waits),
        TEST(the_socket_is_for_its_group),
        TEST(a_living_socket_is_left_alone),
        TEST(a_stale_socket_is_replaced),
        TEST(what_is_no_socket_is_left_alone),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
