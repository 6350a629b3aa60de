// SPDX-License-Identifier: Apache-2.0
/*
 * bench_night.c - the ring of a daemon that has recorded since the evening, for api_bench.py: it
 * ends at this moment of this boot, so that a daemon that is started on it goes on with it.
 */
#include "bench.h"
#include "bench_ring.h"
#include "bench_van.h"
#include "head.h"
#include "timebase.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define SECONDS_MAX 86400ul
#define SECOND_NS   INT64_C(1000000000)

/* Of the van's eight leads on a 12-bit board, so that snapshots of the night can be read. */
static char *make_head(void) {
    struct head_stream stream = {
        .name = "logger", .driver = "sim", .rate_hz = RING_RATE_HZ, .described = true};
    struct board_description *description = &stream.description;
    *description =
        (struct board_description){.inputs = RING_INPUTS, .rate_hz = RING_RATE_HZ, .skew_s = 0};
    for (size_t i = 0; i < RING_INPUTS; i++) {
        description->bits[i] = 12;
        description->rail_high[i] = 4095;
        description->volts_per_count[i] = 0.0016;
        description->zero_counts[i] = 640;
    }
    struct hookup *hookup = van_hookup("driver = sim");
    struct problems problems = {0};
    char *head = NULL;
    if (!hookup || hookup_fit_board(hookup, 0, description, &problems) < 0 ||
        head_format(hookup, 1, &stream, &head) < 0)
        head = NULL;
    problems_clear(&problems);
    hookup_free(hookup);
    return head;
}

/* The beginning of what ends now; 0 or a negative errno. */
static int place_night(unsigned long seconds, struct ring_origin *origin) {
    struct timebase *timebase = NULL;
    int error = timebase_new(&timebase);
    if (error)
        return error;
    timebase_boot(timebase, origin->boot);
    origin->begin_ns = timebase_elapsed_ns(timebase) - (int64_t)seconds * SECOND_NS;
    timebase_free(timebase);
    return 0;
}

static int make_night(const char *folder, unsigned long seconds) {
    struct ring_origin origin;
    char ring[4200];
    uint64_t bytes = 0;
    if ((mkdir(folder, 0755) < 0 && errno != EEXIST) || place_night(seconds, &origin) < 0) {
        fprintf(stderr, "cranktrap-bench night: %s: %s\n", folder, strerror(errno));
        return 1;
    }
    char *head = make_head();
    origin.head = head;
    (void)snprintf(ring, sizeof ring, "%s/ring", folder);
    const struct ring_plan plan = {seconds, RING_RATE_HZ, 0};
    int error = head ? ring_make_at(ring, &plan, &origin, &bytes) : -1;
    free(head);
    if (error)
        return 1;
    double from_s = (double)origin.begin_ns * 1e-9;
    printf("{\"schema\":\"cranktrap.bench-night/1\",\"inputs\":%d,\"rate_hz\":%d,\"from_s\":%.9f,"
           "\"to_s\":%.9f,\"ring_bytes\":%llu}\n",
           RING_INPUTS, RING_RATE_HZ, from_s, from_s + (double)seconds, (unsigned long long)bytes);
    return 0;
}

int bench_night(int argc, char **argv) {
    char *end = NULL;
    unsigned long seconds = argc == 3 ? strtoul(argv[2], &end, 10) : 0;
    if (!seconds || *end || seconds > SECONDS_MAX) {
        fprintf(stderr, "usage: cranktrap-bench %s FOLDER SECONDS (1 to %lu)\n", argv[0],
                SECONDS_MAX);
        return 2;
    }
    return make_night(argv[1], seconds);
}
