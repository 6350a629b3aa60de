// SPDX-License-Identifier: Apache-2.0
/*
 * sim_pace.c - how fast a simulated night goes by.
 */
#include "sim_pace.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define WORTHWHILE_S 0.02

int sim_pace_parse(const char *text, struct sim_pace *pace) {
    struct sim_pace read = {.times = 1.0};
    if (strcmp(text, "real") == 0) {
        read.real = true;
    } else if (strcmp(text, "free") == 0) {
        read.free = true;
    } else {
        char *end = NULL;
        read.times = strtod(text, &end);
        if (end == text || *end != '\0' ||
            !(read.times >= SIM_PACE_SLOWEST && read.times <= SIM_PACE_FASTEST))
            return -EINVAL;
    }
    *pace = read;
    return 0;
}

void sim_pace_begin(struct sim_pace *pace, uint64_t next) {
    clock_gettime(CLOCK_MONOTONIC, &pace->origin);
    pace->origin_scan = next;
}

/* Seconds of real time since the origin. */
static double gone_s(const struct sim_pace *pace) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)(now.tv_sec - pace->origin.tv_sec) +
           1e-9 * (double)(now.tv_nsec - pace->origin.tv_nsec);
}

static void sleep_until(const struct sim_pace *pace, double after_origin_s) {
    double whole = floor(after_origin_s);
    struct timespec when = {
        .tv_sec = pace->origin.tv_sec + (time_t)whole,
        .tv_nsec = pace->origin.tv_nsec + (long)((after_origin_s - whole) * 1e9),
    };
    if (when.tv_nsec >= 1000000000L) {
        when.tv_nsec -= 1000000000L;
        when.tv_sec++;
    }
    /* A signal ends it early: the caller is then given what is due, perhaps nothing. */
    (void)clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &when, NULL);
}

uint64_t sim_pace_due(const struct sim_pace *pace, uint64_t next, uint64_t most, int deadline_ms) {
    if (pace->free)
        return most;
    double scans_a_second = pace->rate_hz * pace->times;
    double worthwhile = fmax(floor(scans_a_second * WORTHWHILE_S), 1.0);
    double wanted = fmin(worthwhile, (double)most);
    double before = (double)(next - pace->origin_scan);
    double ready_s = (before + wanted) / scans_a_second;
    double now_s = gone_s(pace);
    if (now_s < ready_s) {
        sleep_until(pace, fmin(ready_s, now_s + deadline_ms * 1e-3));
        now_s = gone_s(pace);
    }
    double due = floor(now_s * scans_a_second) - before;
    if (due <= 0.0)
        return 0;
    return due < (double)most ? (uint64_t)due : most;
}
