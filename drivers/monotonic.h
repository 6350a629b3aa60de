// SPDX-License-Identifier: Apache-2.0
/*
 * monotonic.h - the computer's own clock, for what waits and gives up: CLOCK_MONOTONIC, which
 * nobody sets and no simulation hurries. Scans are timed otherwise. Any thread.
 */
#ifndef CRANKTRAP_MONOTONIC_H
#define CRANKTRAP_MONOTONIC_H

#include <stdint.h>
#include <time.h>

/* Nanoseconds since some moment before the start. */
static inline int64_t monotonic_ns(void) {
    struct timespec now;
    (void)clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

/* The same in whole milliseconds. */
static inline int64_t monotonic_ms(void) {
    return monotonic_ns() / 1000000;
}

/* That moment for functions that wait until it. */
static inline struct timespec monotonic_at(int64_t ns) {
    return (struct timespec){.tv_sec = (time_t)(ns / 1000000000),
                             .tv_nsec = (long)(ns % 1000000000)};
}

/* The moment `ns` from now. */
static inline struct timespec monotonic_in(int64_t ns) {
    return monotonic_at(monotonic_ns() + ns);
}

#endif
