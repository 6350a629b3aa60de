// SPDX-License-Identifier: Apache-2.0
/*
 * poll_clock.h - the clock of drivers that ask: CLOCK_MONOTONIC, in nanoseconds.
 */
#ifndef CRANKTRAP_POLL_CLOCK_H
#define CRANKTRAP_POLL_CLOCK_H

#include <stdint.h>

/* Now. */
int64_t poll_clock_ns(void);

/* Sleeps until then, whatever signals come; not at all where it has been. */
void poll_clock_wait(int64_t until_ns);

#endif
