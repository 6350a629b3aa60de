// SPDX-License-Identifier: Apache-2.0
/*
 * pace.h - so many bytes a second, by the clock.
 */
#ifndef PACE_H
#define PACE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct pace {
    double bytes_per_s; /* 0: as fast as it goes */
    double begin_s;
    uint64_t sent;
};

double pace_now_s(void);
void pace_begin(struct pace *pace, double bytes_per_s);

/* Counts `bytes` as sent, and sleeps until it is time for more. */
void pace_sent(struct pace *pace, size_t bytes);

/* Bytes a second since the beginning. */
double pace_reached(const struct pace *pace);

#endif
