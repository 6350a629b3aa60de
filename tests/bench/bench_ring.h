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

/*
 * Fills a new ring in `folder` with `seconds` of scans, in segments of `segment_bytes` (0: as the
 * daemon's). 0 or -1, with the reason printed.
 */
int ring_make(const char *folder, uint64_t seconds, uint64_t segment_bytes, uint64_t *bytes);

/* Where else a ring begins, and what its HEAD says. */
struct ring_origin {
    int64_t begin_ns; /* elapsed time of the boot */
    uint8_t boot[16];
    const char *head; /* JSON */
};
int ring_make_at(const char *folder, uint64_t seconds, uint64_t segment_bytes,
                 const struct ring_origin *origin, uint64_t *bytes);

/* Second `second` of a ring by ring_make() begins at this elapsed time. */
int64_t ring_second_ns(uint64_t second);

#endif
