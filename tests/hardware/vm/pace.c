// SPDX-License-Identifier: Apache-2.0
/*
 * pace.c - so many bytes a second, by the clock.
 */
#include "pace.h"

#include <time.h>

double pace_now_s(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

void pace_begin(struct pace *pace, double bytes_per_s) {
    *pace = (struct pace){bytes_per_s, pace_now_s(), 0};
}

void pace_sent(struct pace *pace, size_t bytes) {
    pace->sent += bytes;
    if (pace->bytes_per_s <= 0)
        return;
    double due = pace->begin_s + (double)pace->sent / pace->bytes_per_s;
    struct timespec until = {(time_t)due, (long)((due - (double)(time_t)due) * 1e9)};
    (void)clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL);
}

double pace_reached(const struct pace *pace) {
    double seconds = pace_now_s() - pace->begin_s;
    return seconds > 0 ? (double)pace->sent / seconds : 0;
}
