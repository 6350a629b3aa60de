// SPDX-License-Identifier: Apache-2.0
/*
 * bench_age.c - rings from an hour to a month: opened, drawn, and pruned while they go on. Eight
 * inputs at 100 scans/s in blocks of a second and segments of about 80 minutes: as many blocks and
 * segments as 10,000 scans/s make in segments of 64 MiB, and so a month fits on any disk.
 */
#include "bench.h"
#include "bench_ring.h"
#include "bench_van.h"
#include "disk_ring.h"
#include "overview.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

enum { ROUNDS = 9, COLUMNS = 1000, AGE_RATE_HZ = 100, SEGMENT_BYTES = 1650000, MORE = 4 };
enum { HOUR_S = 3600, DAY_S = 86400, SEGMENT_S = 4700 };

static const uint64_t ages[] = {HOUR_S, 6 * HOUR_S, DAY_S, 7 * DAY_S, 30 * DAY_S};
enum { AGES = sizeof ages / sizeof ages[0] };

struct aged {
    size_t segments;
    uint64_t bytes, pruned;
    double daemon_s, look_s;          /* opened: by the daemon; to be drawn */
    double whole_s, hour_s, minute_s; /* drawn: opening not counted */
    double append_s;                  /* of one block, with what goes for it */
};

static double now_s(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

static int open_by_daemon(const char *ring, double *seconds) {
    const struct disk_ring_settings settings = {.bytes = UINT64_C(1) << 34};
    struct disk_ring_found found;
    struct disk_ring *opened = NULL;
    double begin = now_s();
    int error = disk_ring_open(ring, &settings, &found, &opened);
    *seconds = now_s() - begin;
    disk_ring_close(opened);
    return error;
}

/* The last `stretch_s` seconds before the end. */
static int draw(struct overview *overview, uint64_t age_s, uint64_t stretch_s, double *seconds) {
    static struct overview_column drawn[COLUMNS * RING_INPUTS];
    struct overview_window window = {.inputs = RING_INPUTS, .columns = COLUMNS};
    window.from_ns = ring_second_ns(age_s - stretch_s);
    window.to_ns = ring_second_ns(age_s);
    double begin = now_s();
    int error = overview_draw(overview, NULL, &window, drawn);
    *seconds = now_s() - begin;
    return error;
}

static int look_once(const char *ring, uint64_t age_s, double seconds[4]) {
    struct overview *overview = NULL;
    double begin = now_s();
    int error = overview_open(ring, &overview);
    seconds[0] = now_s() - begin;
    if (!error)
        error = draw(overview, age_s, age_s, &seconds[1]);
    if (!error)
        error = draw(overview, age_s, HOUR_S, &seconds[2]);
    if (!error)
        error = draw(overview, age_s, 60, &seconds[3]);
    overview_free(overview);
    return error;
}

static int measure_ring(const char *ring, uint64_t age_s, struct aged *aged) {
    double daemon_s[ROUNDS], looked_s[4][ROUNDS];
    struct disk_ring_list list;
    for (int round = 0; round < ROUNDS; round++) {
        double once[4];
        if (open_by_daemon(ring, &daemon_s[round]) < 0 || look_once(ring, age_s, once) < 0)
            return -1;
        for (int i = 0; i < 4; i++)
            looked_s[i][round] = once[i];
    }
    if (disk_ring_list_folder(ring, &list) < 0)
        return -1;
    aged->segments = list.count;
    disk_ring_list_done(&list);
    aged->daemon_s = bench_median(daemon_s, ROUNDS);
    aged->look_s = bench_median(looked_s[0], ROUNDS);
    aged->whole_s = bench_median(looked_s[1], ROUNDS);
    aged->hour_s = bench_median(looked_s[2], ROUNDS);
    aged->minute_s = bench_median(looked_s[3], ROUNDS);
    return 0;
}

static int measure(uint64_t age_s, struct aged *aged) {
    const struct ring_plan plan = {age_s, AGE_RATE_HZ, SEGMENT_BYTES};
    char folder[4096], ring[4200];
    if (van_folder_make(folder, sizeof folder) < 0)
        return -1;
    (void)snprintf(ring, sizeof ring, "%s/ring", folder);
    int result = ring_make(ring, &plan, &aged->bytes);
    if (result == 0)
        result = measure_ring(ring, age_s, aged);
    if (result == 0)
        result =
            ring_go_on(ring, &plan, (uint64_t)MORE * SEGMENT_S, &aged->append_s, &aged->pruned);
    van_folder_remove(folder);
    return result;
}

static void print_one(uint64_t age_s, const struct aged *aged, bool json, bool first) {
    if (json)
        printf("%s{\"age_s\":%llu,\"segments\":%zu,\"ring_bytes\":%llu,\"daemon_s\":%.7f,"
               "\"look_s\":%.7f,\"whole_s\":%.7f,\"hour_s\":%.7f,\"minute_s\":%.7f,"
               "\"append_s\":%.9f,\"pruned\":%llu}",
               first ? "" : ",", (unsigned long long)age_s, aged->segments,
               (unsigned long long)aged->bytes, aged->daemon_s, aged->look_s, aged->whole_s,
               aged->hour_s, aged->minute_s, aged->append_s, (unsigned long long)aged->pruned);
    else
        printf(
            "  %4.0f h, %4zu segments: opened by the daemon %6.2f ms, to be drawn %6.2f ms; drawn "
            "%6.2f ms, its last hour %6.2f ms, minute %6.2f ms; a block appended and pruned for "
            "%5.2f us (%llu went)\n",
            (double)age_s / HOUR_S, aged->segments, 1e3 * aged->daemon_s, 1e3 * aged->look_s,
            1e3 * aged->whole_s, 1e3 * aged->hour_s, 1e3 * aged->minute_s, 1e6 * aged->append_s,
            (unsigned long long)aged->pruned);
    fflush(stdout);
}

int bench_age(int argc, char **argv) {
    bool json = argc == 2 && strcmp(argv[1], "--json") == 0;
    if (argc > 1 && !json) {
        fprintf(stderr, "usage: cranktrap-bench age [--json]\n");
        return 2;
    }
    printf(json ? "{\"schema\":\"cranktrap.bench-age/1\",\"ages\":["
                : "age: rings of 8 inputs at 100 scans/s, warm\n");
    for (int i = 0; i < AGES; i++) {
        struct aged aged = {0};
        if (measure(ages[i], &aged) < 0) {
            fprintf(stderr, "cranktrap-bench age: it could not be measured\n");
            return 1;
        }
        print_one(ages[i], &aged, json, i == 0);
    }
    if (json)
        puts("]}");
    return 0;
}
