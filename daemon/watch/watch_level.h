// SPDX-License-Identifier: Apache-2.0
/*
 * watch_level.h - one lead's live reading: the last half second, kept in slices of 50 ms.
 *
 * Private to watch. Not locked: watch's own lock is held around every call.
 */
#ifndef CRANKTRAP_WATCH_LEVEL_H
#define CRANKTRAP_WATCH_LEVEL_H

#include "vehicle.h"
#include "watch.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define WATCH_SLICE_S 0.05
#define WATCH_SLICES  11 /* ten whole ones, and the one being filled */

/* Sums over the samples of one slice, in counts. */
struct watch_slice {
    size_t scans;
    double duration_s;
    int32_t lowest, highest;
    int64_t sum;
    /* Of an on/off signal, by the mid level of the half second before: */
    bool judged;
    size_t low_scans, high_scans; /* clearly low, clearly high: not on an edge */
    int64_t low_sum, high_sum;
    size_t above; /* scans since a rising edge rather than since a falling one */
    size_t edges;
};

struct watch_level {
    struct scale scale;
    bool on_off;        /* levels, duty and edges are wanted */
    double least_swing; /* counts; less is no on/off signal */
    struct watch_slice slice[WATCH_SLICES];
    size_t at;          /* the slice being filled */
    size_t slice_scans; /* it is full at so many; 0: nothing has come yet */
    int32_t newest;
    bool judging; /* the two sides below hold */
    bool is_high;
    int32_t low_side, high_side; /* hysteresis around the mid level */
    bool latched;
    int32_t latched_low, latched_high;
};

/* Ready for samples of this scale (copied). */
void watch_level_init(struct watch_level *level, const struct scale *scale, bool on_off);

/* The next samples. */
void watch_level_push(struct watch_level *level, const int32_t *counts, size_t count,
                      double period_s);

/* Fills all but `fresh`. */
void watch_level_read(const struct watch_level *level, struct watch_reading *reading);

/* Forgets the latched extremes. */
void watch_level_latch(struct watch_level *level);

/* Lowest and highest value over the last half second, channel's unit; false: nothing seen. */
bool watch_level_extremes(const struct watch_level *level, double *lowest, double *highest);

/* Edges were seen within the last half second. */
bool watch_level_has_edges(const struct watch_level *level);

#endif
