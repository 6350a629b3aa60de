// SPDX-License-Identifier: Apache-2.0
/*
 * station_helper.c - see station_helper.h.
 */
#include "station_helper.h"

#include "board.h"
#include "cmocka_helper.h"
#include "record.h"

#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

enum { SCANS = 500, RATE_HZ = 1000, ANSWER_MAX = 65536, PATIENCE_S = 30 };

static const char hookup_text[] = "[vehicle]\n"
                                  "name = parcel van, bay 2\n"
                                  "[board logger]\n"
                                  "driver = sim\nrate = 1000\ninputs = 2\n"
                                  "[channel battery]\n"
                                  "board = logger\ninput = 0\nrole = battery\ndivider = 5.7\n"
                                  "[channel crank-feed]\n"
                                  "board = logger\ninput = 1\nrole = feed\nnominal = 5\n"
                                  "[trigger weak-battery]\n"
                                  "channel = battery\nbelow = 9 V\nbudget = 0\n"
                                  "[storage]\nbefore = 7 s\nafter = 3 s\n";

/* ---- the parts ---- */

static void on_cranking(void *context, bool engaged, int64_t elapsed_ns) {
    (void)context;
    (void)engaged;
    (void)elapsed_ns;
}

static void on_mark(void *context, const struct watch_mark *mark) {
    (void)context;
    (void)mark;
}

static int on_keep(void *context, int64_t at_ns, double before_s, double after_s,
                   const char *text) {
    struct station *station = context;
    station->kept++;
    station->at_ns = at_ns;
    station->before_s = before_s;
    station->after_s = after_s;
    snprintf(station->text, sizeof station->text, "%s", text ? text : "(none)");
    return station->keep_result;
}

static int on_note(void *context, int64_t at_ns, const char *name, const char *text) {
    struct station *station = context;
    station->noted++;
    station->at_ns = at_ns;
    snprintf(station->text, sizeof station->text, "%s: %s", name, text);
    return 0;
}

static void open_rings(struct station *station) {
    struct serve_parts *parts = &station->parts;
    const struct disk_ring_settings disk = {.bytes = 1u << 20};
    const struct snapshot_settings snapshots = {.quota_bytes = 1u << 20, .merge_s = 300};
    const struct snapshot_tap tap = {.context = station};
    struct disk_ring_found found;
    char folder[96];
    snprintf(folder, sizeof folder, "%s/ring", station->folder);
    assert_int_equal(disk_ring_open(folder, &disk, &found, &parts->disk), 0);
    assert_int_equal(disk_ring_set_head(parts->disk, "{}"), 0);
    assert_int_equal(memory_ring_new(1u << 20, &parts->memory), 0);
    snprintf(folder, sizeof folder, "%s/snapshots", station->folder);
    assert_int_equal(
        snapshots_start(folder, parts->disk, parts->timebase, &snapshots, &tap, &parts->snapshots),
        0);
}

static void open_intake(struct station *station) {
    struct serve_parts *parts = &station->parts;
    const struct watch_sinks sinks = {station, on_cranking, on_mark};
    const struct intake_tap tap = {station, NULL, NULL, NULL, NULL};
    const struct intake_settings settings = {
        .block_s = 1.0, .urgent_block_s = 0.25, .first_epoch = 1, .byte_ring_s = 1.0};
    struct board_description description = {.inputs = 2, .rate_hz = RATE_HZ};
    struct problems problems = {0};
    for (size_t i = 0; i < description.inputs; i++) {
        description.bits[i] = 12;
        description.rail_high[i] = 4095;
        description.volts_per_count[i] = STATION_VOLTS_PER_COUNT;
        description.zero_counts[i] = STATION_ZERO;
    }
    assert_int_equal(hookup_fit_board(station->hookup, 0, &description, &problems), 0);
    assert_int_equal(watch_new(station->hookup, &sinks, &parts->watch), 0);
    assert_int_equal(watch_fitted(parts->watch, 0), 0);
    assert_int_equal(intake_new(station->hookup, parts->memory, parts->timebase, &tap, &settings,
                                &parts->intake),
                     0);
}

void station_open(struct station *station) {
    struct problems problems = {0};
    *station = (struct station){.keep_result = 17};
    snprintf(station->folder, sizeof station->folder, "/tmp/serve-test-XXXXXX");
    assert_non_null(mkdtemp(station->folder));
    snprintf(station->socket_path, sizeof station->socket_path, "%s/cranktrap.sock",
             station->folder);
    assert_int_equal(hookup_parse(hookup_text, strlen(hookup_text), HOOKUP_FOR_BOARDS,
                                  &station->hookup, &problems),
                     0);
    station->parts = (struct serve_parts){.hookup = station->hookup,
                                          .hookup_path = "van.hookup",
                                          .state_folder = station->folder,
                                          .context = station,
                                          .note = on_note,
                                          .keep = on_keep};
    assert_int_equal(marks_new(&station->parts.marks), 0);
    assert_int_equal(timebase_new(&station->parts.timebase), 0);
    (void)timebase_take_over(station->parts.timebase, 0);
    open_rings(station);
    open_intake(station);
}

void station_serve(struct station *station) {
    assert_int_equal(serve_start(station->socket_path, &station->parts, &station->serve), 0);
}

static int remove_one(const char *path, const struct stat *status, int kind, struct FTW *place) {
    (void)status;
    (void)kind;
    (void)place;
    return remove(path);
}

void station_close(struct station *station) {
    serve_stop(station->serve);
    snapshots_stop(station->parts.snapshots);
    intake_free(station->parts.intake);
    watch_free(station->parts.watch);
    memory_ring_free(station->parts.memory);
    disk_ring_close(station->parts.disk);
    timebase_free(station->parts.timebase);
    hookup_free(station->hookup);
    marks_free(station->parts.marks);
    assert_int_equal(nftw(station->folder, remove_one, 8, FTW_DEPTH | FTW_PHYS), 0);
}

void station_watch(struct station *station, int32_t battery, int32_t feed) {
    static int32_t counts[2][SCANS];
    const int32_t *const inputs[2] = {counts[0], counts[1]};
    for (size_t i = 0; i < SCANS; i++) {
        counts[0][i] = battery;
        counts[1][i] = feed;
    }
    const struct record_run run = {
        .inputs = 2, .scans = SCANS, .time_s = 100.0, .period_s = 1.0 / RATE_HZ, .counts = inputs};
    watch_run(station->parts.watch, &run);
}

/* ---- the client ---- */

int station_connect(const struct station *station) {
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    const struct timeval patience = {PATIENCE_S, 0};
    int connection = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_true(connection >= 0);
    snprintf(address.sun_path, sizeof address.sun_path, "%s", station->socket_path);
    assert_int_equal(setsockopt(connection, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience),
                     0);
    assert_int_equal(connect(connection, (const struct sockaddr *)&address, sizeof address), 0);
    return connection;
}

static void send_all(int connection, const char *bytes, size_t count) {
    while (count > 0) {
        ssize_t sent = send(connection, bytes, count, MSG_NOSIGNAL);
        assert_true(sent > 0);
        bytes += sent;
        count -= (size_t)sent;
    }
}

void station_send(int connection, const char *method, const char *path, const char *body,
                  size_t body_length) {
    char head[512];
    int length = snprintf(head, sizeof head,
                          "%s %s HTTP/1.1\r\nHost: cranktrap\r\nConnection: close\r\n"
                          "Content-Length: %zu\r\n\r\n",
                          method, path, body ? body_length : 0);
    send_all(connection, head, (size_t)length);
    if (body)
        send_all(connection, body, body_length);
}

int station_receive(int connection, json_t **answer) {
    static char bytes[ANSWER_MAX];
    size_t used = 0;
    int status = 0;
    for (;;) {
        ssize_t count = recv(connection, bytes + used, sizeof bytes - 1 - used, 0);
        assert_true(count >= 0); /* else nothing came for the whole patience */
        if (count == 0)
            break;
        used += (size_t)count;
    }
    close(connection);
    bytes[used] = '\0';
    if (used == 0)
        return 0;
    assert_int_equal(sscanf(bytes, "HTTP/1.1 %d", &status), 1);
    const char *body = strstr(bytes, "\r\n\r\n");
    assert_non_null(body);
    if (answer) {
        assert_non_null(strstr(bytes, "application/json"));
        *answer = json_loads(body + 4, 0, NULL);
        assert_non_null(*answer);
    }
    return status;
}

int station_ask(const struct station *station, const char *method, const char *path,
                const char *body, json_t **answer) {
    int connection = station_connect(station);
    station_send(connection, method, path, body, body ? strlen(body) : 0);
    return station_receive(connection, answer);
}

const char *station_text(const json_t *object, const char *key) {
    const char *text = json_string_value(json_object_get(object, key));
    return text ? text : "";
}
