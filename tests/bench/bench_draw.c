// SPDX-License-Identifier: Apache-2.0
/*
 * bench_draw.c - how soon a night is on the screen: opening a ring, drawing it at any zoom.
 */
#include "bench.h"
#include "bench_ring.h"
#include "bench_van.h"
#include "disk_ring.h"
#include "overview.h"

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

enum { ROUNDS = 15, COLUMNS = 1000, NIGHT_S = 12 * 3600, SEGMENTS = 2000 };
#define MIB 1048576.0

static double now_s(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

/* ---- peers: what the same disk and the same core take for a plain copy and for zlib -1 ---- */

struct disk_peers {
    double write_s; /* of `bytes`, by write() into a file, no sync */
    double zlib_s;
    size_t bytes;
};

static int measure_peers(const char *folder, struct disk_peers *peers) {
    static uint8_t bytes[16u << 20];
    char path[4200];
    double seconds[ROUNDS];
    struct bench_peers plain;
    for (size_t i = 0; i < sizeof bytes; i++)
        bytes[i] = (uint8_t)(i / 3 % 61 + (i * 2654435761u >> 30));
    (void)snprintf(path, sizeof path, "%s/copy", folder);
    for (int round = 0; round < ROUNDS; round++) {
        int file = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
        double begin = now_s();
        ssize_t taken = file < 0 ? -1 : write(file, bytes, sizeof bytes);
        seconds[round] = now_s() - begin;
        if (file >= 0)
            close(file);
        if (taken != (ssize_t)sizeof bytes)
            return -1;
    }
    (void)unlink(path);
    if (bench_peers(bytes, sizeof bytes, 1u << 17, &plain) < 0)
        return -1;
    *peers = (struct disk_peers){bench_median(seconds, ROUNDS), plain.zlib_s, sizeof bytes};
    return 0;
}

/* ---- drawing ---- */

static const struct view {
    const char *name;
    double seconds;
} views[] = {{"12 h", NIGHT_S}, {"1 h", 3600}, {"1 min", 60}, {"10 s", 10}, {"1 s", 1}};
enum { VIEWS = sizeof views / sizeof views[0] };

struct drawn {
    double first_s, warm_s;
};

/* Opens the ring and draws, as somebody does who has just come; elsewhere in each round. */
static int draw_once(const char *folder, double seconds, int round, double *taken_s) {
    static struct overview_column drawn[COLUMNS * RING_INPUTS];
    struct overview_window window = {.inputs = RING_INPUTS, .columns = COLUMNS};
    double share = (double)round / ROUNDS;
    window.from_ns = ring_second_ns(0) + (int64_t)((NIGHT_S - seconds) * share * 1e9);
    window.to_ns = window.from_ns + (int64_t)(seconds * 1e9);
    struct overview *overview = NULL;
    double begin = now_s();
    int error = overview_open(folder, &overview);
    if (!error)
        error = overview_draw(overview, NULL, &window, drawn);
    *taken_s = now_s() - begin;
    overview_free(overview);
    for (size_t i = 0; !error && i < (size_t)COLUMNS * RING_INPUTS; i++)
        if (drawn[i].low > drawn[i].high)
            error = -1; /* a hole: it was not drawn */
    return error;
}

static int measure_view(const char *folder, double seconds, struct drawn *drawn) {
    double warm_s[ROUNDS];
    if (draw_once(folder, seconds, 0, &drawn->first_s) < 0)
        return -1;
    for (int round = 0; round < ROUNDS; round++) {
        double again_s;
        if (draw_once(folder, seconds, round, &again_s) < 0 ||
            draw_once(folder, seconds, round, &warm_s[round]) < 0)
            return -1;
    }
    drawn->warm_s = bench_median(warm_s, ROUNDS);
    return 0;
}

/* So that the first look is one from the disk, as far as the system lets go of it. */
static void let_go(const char *folder) {
    struct disk_ring_list list;
    if (disk_ring_list_folder(folder, &list) < 0)
        return;
    for (size_t i = 0; i < list.count; i++) {
        int file = open(list.path[i], O_RDONLY | O_CLOEXEC);
        if (file < 0)
            continue;
        (void)fdatasync(file);
        (void)posix_fadvise(file, 0, 0, POSIX_FADV_DONTNEED);
        close(file);
    }
    disk_ring_list_done(&list);
}

static void print_views(const struct drawn *drawn, uint64_t bytes, const struct disk_peers *peers,
                        bool json) {
    if (json) {
        printf("{\"schema\":\"cranktrap.bench-draw/1\",\"inputs\":%d,\"rate_hz\":%d,"
               "\"columns\":%d,\"ring_bytes\":%llu,\"views\":[",
               RING_INPUTS, RING_RATE_HZ, COLUMNS, (unsigned long long)bytes);
        for (int i = 0; i < VIEWS; i++)
            printf("%s{\"seconds\":%g,\"cold_s\":%.6f,\"warm_s\":%.6f}", i ? "," : "",
                   views[i].seconds, drawn[i].first_s, drawn[i].warm_s);
        printf("],\"peer_bytes\":%zu,\"write_s\":%.6f,\"zlib_1_s\":%.6f}\n", peers->bytes,
               peers->write_s, peers->zlib_s);
        return;
    }
    printf("draw: 12 h of %d inputs at %d scans/s, %.0f MiB; opened and drawn at %d columns\n",
           RING_INPUTS, RING_RATE_HZ, (double)bytes / MIB, COLUMNS);
    for (int i = 0; i < VIEWS; i++)
        printf("  %-6s %8.2f ms warm, %8.2f ms cold\n", views[i].name, 1e3 * drawn[i].warm_s,
               1e3 * drawn[i].first_s);
    printf(
        "  beside it: a write of 16 MiB to the same disk's cache %.2f ms, zlib -1 of it %.0f ms\n",
        1e3 * peers->write_s, 1e3 * peers->zlib_s);
}

static int run_draw(const char *folder, bool json) {
    struct drawn drawn[VIEWS];
    struct disk_peers peers;
    uint64_t bytes = 0;
    const struct ring_plan night = {NIGHT_S, RING_RATE_HZ, 0};
    char ring[4200];
    (void)snprintf(ring, sizeof ring, "%s/ring", folder);
    if (ring_make(ring, &night, &bytes) < 0 || measure_peers(folder, &peers) < 0)
        return -1;
    for (int i = 0; i < VIEWS; i++) {
        let_go(ring);
        if (measure_view(ring, views[i].seconds, &drawn[i]) < 0)
            return -1;
    }
    print_views(drawn, bytes, &peers, json);
    return 0;
}

/* ---- opening ---- */

struct opened {
    size_t segments;
    double daemon_s, look_s, rebuilt_s;
};

/* To be drawn, by looking into every segment. */
static int rebuild_once(const char *ring, double *look_s) {
    struct overview *overview = NULL;
    char path[4300];
    (void)snprintf(path, sizeof path, "%s/catalogue", ring);
    (void)unlink(path);
    double begin = now_s();
    int error = overview_open(ring, &overview);
    *look_s = now_s() - begin;
    overview_free(overview);
    return error;
}

static int open_once(const char *ring, double *daemon_s, double *look_s) {
    const struct disk_ring_settings settings = {.bytes = UINT64_C(1) << 32};
    struct disk_ring_found found;
    struct disk_ring *made = NULL;
    struct overview *overview = NULL;
    double begin = now_s();
    int error = disk_ring_open(ring, &settings, &found, &made);
    double middle = now_s();
    disk_ring_close(made);
    double again = now_s();
    if (!error)
        error = overview_open(ring, &overview);
    *daemon_s = middle - begin;
    *look_s = now_s() - again;
    overview_free(overview);
    return error;
}

static int measure_open(const char *ring, struct opened *opened) {
    double daemon_s[ROUNDS], look_s[ROUNDS], rebuilt_s[ROUNDS];
    struct disk_ring_list list;
    if (disk_ring_list_folder(ring, &list) < 0)
        return -1;
    opened->segments = list.count;
    disk_ring_list_done(&list);
    for (int round = 0; round < ROUNDS; round++)
        if (open_once(ring, &daemon_s[round], &look_s[round]) < 0)
            return -1;
    for (int round = 0; round < ROUNDS; round++)
        if (rebuild_once(ring, &rebuilt_s[round]) < 0)
            return -1;
    opened->daemon_s = bench_median(daemon_s, ROUNDS);
    opened->look_s = bench_median(look_s, ROUNDS);
    opened->rebuilt_s = bench_median(rebuilt_s, ROUNDS);
    return 0;
}

static int run_open(const char *folder, bool json) {
    struct opened opened;
    struct disk_peers peers;
    uint64_t bytes = 0;
    char ring[4200];
    (void)snprintf(ring, sizeof ring, "%s/ring", folder);
    /* Some five seconds fill a segment of 64 KiB. */
    const struct ring_plan many = {(uint64_t)SEGMENTS * 4, RING_RATE_HZ, 50000};
    if (ring_make(ring, &many, &bytes) < 0 || measure_peers(folder, &peers) < 0 ||
        measure_open(ring, &opened) < 0)
        return -1;
    if (json)
        printf("{\"schema\":\"cranktrap.bench-open/1\",\"segments\":%zu,\"ring_bytes\":%llu,"
               "\"daemon_s\":%.6f,\"look_s\":%.6f,\"rebuilt_s\":%.6f,\"peer_bytes\":%zu,"
               "\"write_s\":%.6f,\"zlib_1_s\":%.6f}\n",
               opened.segments, (unsigned long long)bytes, opened.daemon_s, opened.look_s,
               opened.rebuilt_s, peers.bytes, peers.write_s, peers.zlib_s);
    else
        printf("open: a ring of %zu segments, warm\n"
               "  by the daemon                     %8.2f ms\n"
               "  to be drawn                       %8.2f ms\n"
               "  to be drawn, without a catalogue  %8.2f ms\n"
               "  beside it: a write of 16 MiB to the same disk's cache %.2f ms, zlib -1 of it "
               "%.0f ms\n",
               opened.segments, 1e3 * opened.daemon_s, 1e3 * opened.look_s, 1e3 * opened.rebuilt_s,
               1e3 * peers.write_s, 1e3 * peers.zlib_s);
    return 0;
}

/* ---- the parts ---- */

static int run_in_folder(int argc, char **argv, int (*run)(const char *folder, bool json)) {
    char folder[4096];
    bool json = argc == 2 && strcmp(argv[1], "--json") == 0;
    if (argc > 1 && !json) {
        fprintf(stderr, "usage: cranktrap-bench %s [--json]\n", argv[0]);
        return 2;
    }
    if (van_folder_make(folder, sizeof folder) < 0)
        return 1;
    int result = run(folder, json);
    van_folder_remove(folder);
    if (result < 0)
        fprintf(stderr, "cranktrap-bench %s: it could not be measured\n", argv[0]);
    return result < 0 ? 1 : 0;
}

int bench_draw(int argc, char **argv) {
    return run_in_folder(argc, argv, run_draw);
}

int bench_open(int argc, char **argv) {
    return run_in_folder(argc, argv, run_open);
}
