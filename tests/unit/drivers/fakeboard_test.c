// SPDX-License-Identifier: Apache-2.0
/*
 * fakeboard_test.c - the fake board over a real pseudo-terminal, read by the drivers themselves:
 * what it plays comes back to the count, what it does wrong is told exactly.
 */
#include "cmocka_helper.h"
#include "drivers.h"
#include "stream_helper.h"
#include "transport.h"

#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

extern char **environ;

#define DEADLINE_S 60
#define ROWS       4000

static char folder[] = "/tmp/fakeboard-test-XXXXXX";
static char csv_path[64], script_path[64], link_path[64];
static pid_t process;

/* Row i is at i ms and i counts: every scan tells its own number. */
static int make_folder(void **state) {
    (void)state;
    assert_non_null(mkdtemp(folder));
    snprintf(csv_path, sizeof csv_path, "%s/ramp.csv", folder);
    snprintf(script_path, sizeof script_path, "%s/script", folder);
    snprintf(link_path, sizeof link_path, "%s/board", folder);
    FILE *csv = fopen(csv_path, "w");
    assert_non_null(csv);
    fprintf(csv, "time_s,ramp\n");
    for (int i = 0; i < ROWS; i++)
        fprintf(csv, "%.3f,%.4f\n", i * 0.001, i * 0.0005);
    return fclose(csv);
}

static int remove_folder(void **state) {
    (void)state;
    unlink(csv_path);
    unlink(script_path);
    unlink(link_path);
    return rmdir(folder);
}

static void write_script(const char *text) {
    FILE *script = fopen(script_path, "w");
    assert_non_null(script);
    fputs(text, script);
    assert_int_equal(fclose(script), 0);
}

/* Starts fakeboard with these options, NULL at the end; its output is thrown away. */
static void run_board(const char *first, ...) {
    char *argv[32] = {(char[]){"fakeboard"}};
    static char words[30][256];
    size_t count = 0;
    va_list options;
    va_start(options, first);
    for (const char *word = first; word; word = va_arg(options, const char *)) {
        assert_true(count < 30);
        snprintf(words[count], sizeof words[0], "%s", word);
        argv[count + 1] = words[count];
        count++;
    }
    va_end(options);
    argv[count + 1] = NULL;
    posix_spawn_file_actions_t actions;
    posix_spawn_file_actions_init(&actions);
    posix_spawn_file_actions_addopen(&actions, 0, "/dev/null", O_RDONLY, 0);
    posix_spawn_file_actions_addopen(&actions, 1, "/dev/null", O_WRONLY, 0);
    posix_spawn_file_actions_addopen(&actions, 2, "/dev/null", O_WRONLY, 0);
    assert_int_equal(
        posix_spawn(&process, CRANKTRAP_BIN "/fakeboard", &actions, NULL, argv, environ), 0);
    posix_spawn_file_actions_destroy(&actions);
}

static time_t now(void) {
    struct timespec time;
    clock_gettime(CLOCK_MONOTONIC, &time);
    return time.tv_sec;
}

/* Waits for the link and starts the driver; NULL when the board has ended instead. */
static struct transport *connect_board(struct stream *stream) {
    const struct transport_settings settings = {.baud = 115200};
    struct transport *transport = NULL;
    struct board_bytes request;
    time_t deadline = now() + DEADLINE_S;
    while (transport_open(link_path, &settings, &transport) < 0) {
        if (process && waitpid(process, NULL, WNOHANG) == process)
            process = 0;
        if (!process)
            return NULL;
        assert_true(now() < deadline);
        usleep(10000);
    }
    assert_int_equal(stream->driver->start(stream->board, &request), 0);
    if (request.count)
        assert_int_equal(transport_write(transport, request.byte, request.count, 1000), 0);
    return transport;
}

/* Reads until the board goes; asks again after half a second of silence, as a daemon would. */
static void read_until_gone(struct stream *stream, struct transport *transport) {
    uint8_t bytes[4096];
    struct board_bytes request;
    time_t deadline = now() + DEADLINE_S;
    for (int count; (count = transport_read(transport, bytes, sizeof bytes, 500)) >= 0;) {
        assert_true(now() < deadline);
        stream_bytes(stream, bytes, (size_t)count);
        if (count == 0 && stream->driver->again &&
            stream->driver->again(stream->board, &request) == 0)
            (void)transport_write(transport, request.byte, request.count, 1000);
    }
    transport_close(transport);
}

static void wait_for_end(void) {
    int status = 0;
    if (process)
        assert_int_equal(waitpid(process, &status, 0), process);
    assert_int_equal(status, 0);
    process = 0;
}

/*
 * Everything told must be the ramp in order: each scan its own number, each loss of that many.
 * Where a loss is of unknown size, counting goes on from the next scan. The number of the end.
 */
static long assert_ramp(const char *told, long next) {
    bool known = true;
    for (const char *end; (end = strchr(told, ';')); told = end + 1) {
        long number;
        if (strncmp(told, "described", 9) == 0)
            continue;
        if (strncmp(told, "lost ?", 6) == 0) {
            known = false;
        } else if (sscanf(told, "lost %ld", &number) == 1) {
            next += number;
        } else {
            number = strtol(told, NULL, 10);
            if (known)
                assert_int_equal(number, next);
            assert_true(number >= next);
            next = number + 1;
            known = true;
        }
    }
    return next;
}

static void play_ramp(struct stream *stream, const char *format, const char *columns) {
    run_board("--csv", csv_path, "--format", format, "--columns", columns, "--pace", "free",
              "--link", link_path, "--script", script_path, NULL);
    struct transport *transport = connect_board(stream);
    assert_non_null(transport);
    read_until_gone(stream, transport);
    wait_for_end();
}

static void packets_come_back_to_the_count(void **state) {
    (void)state;
    write_script("");
    struct stream *stream = stream_open(drivers_find("packet-serial"), NULL);
    play_ramp(stream, "packet", "none");
    assert_int_equal(stream->scans, ROWS);
    assert_int_equal(stream->lost + stream->unknown, 0);
    assert_int_equal(assert_ramp(stream->told, 0), ROWS);
    stream_close(stream);
}

static void faults_of_packets_are_told_exactly(void **state) {
    (void)state;
    write_script("0.5 drop 3\n1 corrupt 2 # damaged\n1.5 duplicate 4\n2 babble 300\n3 drop 1\n");
    struct stream *stream = stream_open(drivers_find("packet-serial"), NULL);
    play_ramp(stream, "packet", "none");
    assert_int_equal(assert_ramp(stream->told, 0), ROWS);
    assert_int_equal(stream->scans + stream->lost, ROWS);
    assert_true(stream->lost >= 60); /* six packets of ten scans, and what babble swallowed */
    assert_int_equal(stream->unknown, 0);
    assert_non_null(strstr(stream->told, "499;lost 30 packet lost;530;"));
    assert_non_null(strstr(stream->told, "999;lost 20 damaged;1020;"));
    stream_close(stream);
}

static void faults_of_lines_are_told_exactly(void **state) {
    (void)state;
    write_script("0.5 drop 3\n1.5 duplicate 4\n3 drop 1\n");
    struct stream *stream =
        stream_open(drivers_find("text-serial"), "rate=1000", "columns=counter,0", "bits=16", NULL);
    play_ramp(stream, "text", "counter");
    long first = strtol(stream->told, NULL, 10); /* the line it joined in the middle of */
    assert_true(first <= 1);
    assert_int_equal(assert_ramp(stream->told, first), ROWS);
    assert_int_equal(stream->lost, 4);
    assert_non_null(strstr(stream->told, "499;lost 3 packet lost;503;"));
    stream_close(stream);
}

static void a_restart_is_another_board(void **state) {
    (void)state;
    write_script("1 restart\n");
    struct stream *stream = stream_open(drivers_find("packet-serial"), NULL);
    play_ramp(stream, "packet", "none");
    assert_int_equal(stream->unknown, 1);
    assert_int_equal(stream->described, 2);
    assert_int_equal(assert_ramp(stream->told, 0), ROWS);
    stream_close(stream);
}

static void it_vanishes_and_comes_back_behind_its_link(void **state) {
    (void)state;
    write_script("2 vanish 0.3\n");
    struct stream *stream = stream_open(drivers_find("packet-serial"), NULL);
    run_board("--csv", csv_path, "--pace", "free", "--link", link_path, "--script", script_path,
              NULL);
    size_t connections = 0;
    for (struct transport *transport; (transport = connect_board(stream)); connections++) {
        if (connections == 1)
            assert_true(stream->scans > 0 && stream->scans <= 2000);
        read_until_gone(stream, transport);
    }
    assert_int_equal(connections, 2);
    assert_int_equal(stream->unknown, 0);
    assert_true(stream->scans >= 2000);
    assert_non_null(strstr(stream->told, "3999;"));
    stream_close(stream);
}

/* ---- recordings of real engines ---- */

static size_t column_rises(const char *told, size_t column) {
    size_t rises = 0;
    bool high = true; /* the first state is none */
    bool first = true;
    for (const char *end; (end = strchr(told, ';')); told = end + 1) {
        const char *at = told;
        if (strncmp(told, "described", 9) == 0)
            continue;
        for (size_t i = 0; i < column; i++)
            at = strchr(at, ',') + 1;
        bool now_high = strtol(at, NULL, 10) > 5000; /* 2.5 V */
        rises += !first && now_high && !high;
        high = now_high;
        first = false;
    }
    return rises;
}

static size_t file_rises(const char *path) {
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    char line[128];
    double time_s;
    int level, before = 1;
    size_t rises = 0;
    while (fgets(line, sizeof line, file)) {
        if (sscanf(line, "%lf , %d", &time_s, &level) != 2)
            continue;
        rises += level && !before;
        before = level;
    }
    fclose(file);
    return rises;
}

static void every_edge_of_a_recording_is_played(void **state) {
    (void)state;
    if (!*CRANKTRAP_DATA) {
        print_message("not run: CRANKTRAP_DATA is not set, the recordings are not here\n");
        skip();
    }
    const char *path = CRANKTRAP_DATA "/edges-plugs-out-steady.csv";
    struct stream *stream = stream_open(drivers_find("packet-serial"), NULL);
    run_board("--edges", path, "--rate", "5000", "--pace", "free", "--lead-in", "0.5", "--link",
              link_path, NULL);
    struct transport *transport = connect_board(stream);
    assert_non_null(transport);
    read_until_gone(stream, transport);
    wait_for_end();
    /* SOURCES.md of the recordings: 3.1 s; and half a second before it. */
    assert_in_range(stream->scans, 5000 * 3.55, 5000 * 3.7);
    assert_int_equal(stream->description.inputs, 4);
    size_t rises = file_rises(path);
    assert_true(rises > 100);
    assert_int_equal(column_rises(stream->told, 3), rises);
    stream_close(stream);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(packets_come_back_to_the_count),
        cmocka_unit_test(faults_of_packets_are_told_exactly),
        cmocka_unit_test(faults_of_lines_are_told_exactly),
        cmocka_unit_test(a_restart_is_another_board),
        cmocka_unit_test(it_vanishes_and_comes_back_behind_its_link),
        cmocka_unit_test(every_edge_of_a_recording_is_played),
    };
    signal(SIGPIPE, SIG_IGN);
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
