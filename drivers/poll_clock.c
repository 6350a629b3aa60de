// SPDX-License-Identifier: Apache-2.0
/*
 * poll_clock.c - the clock of drivers that ask.
 */
#include "poll_clock.h"

#include <errno.h>
#include <time.h>

#define SECOND_NS 1000000000

int64_t poll_clock_ns(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * SECOND_NS + now.tv_nsec;
}

void poll_clock_wait(int64_t until_ns) {
    const struct timespec until = {(time_t)(until_ns / SECOND_NS), (long)(until_ns % SECOND_NS)};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL) == EINTR)
        ;
}
