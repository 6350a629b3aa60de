// SPDX-License-Identifier: Apache-2.0
/*
 * poll_clock.c - the clock of drivers that ask.
 */
#include "poll_clock.h"

#include "monotonic.h"

#include <errno.h>

int64_t poll_clock_ns(void) {
    return monotonic_ns();
}

void poll_clock_wait(int64_t until_ns) {
    const struct timespec until = monotonic_at(until_ns);
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL) == EINTR)
        ;
}
