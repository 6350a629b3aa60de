// SPDX-License-Identifier: Apache-2.0
/*
 * bench_ring.h - rings made fast: one second of eight inputs is coded once, and written again and
 * again with other places and times.
 */
#ifndef CRANKTRAP_BENCH_RING_H
#define CRANKTRAP_BENCH_RING_H

#include <stddef.h>
#include <stdint.h>

enum { RING_INPUTS = 8, RING_RATE_HZ = 10000 };

struct ring_plan {
    uint64_t seconds;
    uint32_t rate_hz;       /* at most RING_RATE_HZ */
    uint64_t segment_bytes; /* 0: as the daemon's */
};

/* Fills a new ring in `folder`. 0 or -1, with the reason printed. */
int ring_make(const char *folder, const struct ring_plan *plan, uint64_t *bytes);

/*
 * Appends `seconds` more behind a made ring of plan->seconds that is at its bound: with each new
 * segment the oldest one goes. What one second's append took, in `*second_s` of processor time;
 * `*pruned` segments went. 0 or -1.
 */
int ring_go_on(const char *folder, const struct ring_plan *plan, uint64_t seconds, double *second_s,
               uint64_t *pruned);

/* Where else a ring begins, and what its HEAD says. */
struct ring_origin {
    int64_t begin_ns; /* elapsed time of the boot */
    uint8_t boot[16];
    const char *head; /* JSON */
};
int ring_make_at(const char *folder, const struct ring_plan *plan, const struct ring_origin *origin,
                 uint64_t *bytes);

/* Second `second` of a ring by ring_make() begins at this elapsed time. */
int64_t ring_second_ns(uint64_t second);

#endif
