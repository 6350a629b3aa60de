// SPDX-License-Identifier: Apache-2.0
/*
 * sim_pace.h - how fast a simulated night goes by: in real time, N times as fast, or freely.
 */
#ifndef CRANKTRAP_SIM_PACE_H
#define CRANKTRAP_SIM_PACE_H

#include <stdbool.h>
#include <stdint.h>
#include <time.h>

#define SIM_PACE_SLOWEST 0.01
#define SIM_PACE_FASTEST 100000.0

struct sim_pace {
    bool real;    /* the computer's own time holds: no time base is given */
    bool free;    /* as fast as asked */
    double times; /* real time; 1 where `real` */
    double rate_hz;
    struct timespec origin; /* when `origin_scan` was taken */
    uint64_t origin_scan;
};

/* Reads "real", "free" or a number; 0 or -EINVAL, `*pace` then untouched. */
int sim_pace_parse(const char *text, struct sim_pace *pace);

/* From now on: scan `next` is taken now. */
void sim_pace_begin(struct sim_pace *pace, uint64_t next);

/*
 * How many scans from `next` on are due, at most `most`. Waits for a worthwhile number of them
 * (20 ms of real time, at most `most`), but no longer than `deadline_ms`.
 */
uint64_t sim_pace_due(const struct sim_pace *pace, uint64_t next, uint64_t most, int deadline_ms);

#endif
