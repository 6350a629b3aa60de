// SPDX-License-Identifier: Apache-2.0
/*
 * levels.h - how often each value occurred: extremes, average, state levels, duty. Incremental.
 *
 * State levels follow the histogram method of IEEE Std 181: the range between the lowest and the
 * highest sample in 100 bins, split into two equal halves; the mode of each half is a state level.
 * Memory is fixed: bins of a power of two counts, doubled in width as the range grows.
 */
#ifndef CRANKTRAP_LEVELS_H
#define CRANKTRAP_LEVELS_H

#include "vehicle.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define LEVELS_BINS 1024

struct levels {
    uint64_t samples;
    int32_t lowest, highest; /* counts */
    int32_t newest;
    double steps;   /* sum of the steps from sample to sample: their noise */
    int64_t origin; /* of bin 0, counts */
    unsigned shift; /* a bin is 1 << shift counts wide */
    uint64_t times[LEVELS_BINS];
    int64_t sums[LEVELS_BINS]; /* of the samples in the bin, counts */
};

/* Empty. */
void levels_init(struct levels *levels);

/* Takes `count` samples in. */
void levels_push(struct levels *levels, const int32_t *counts, size_t count);

/* Adds what `other` has seen. */
void levels_merge(struct levels *levels, const struct levels *other);

/* The average of the values: what an averaging meter shows. NAN without samples. */
double levels_average(const struct levels *levels, const struct scale *scale);

/* The value that `share` (0..1) of the samples lie below, to a bin. NAN without samples. */
double levels_percentile(const struct levels *levels, const struct scale *scale, double share);

/* Standard deviation of the noise from sample to sample, in the channel's unit. */
double levels_noise(const struct levels *levels, const struct scale *scale);

/*
 * The two state levels; false where there is only one state (or a shape without states), with
 * `*low` and `*high` untouched.
 */
bool levels_states(const struct levels *levels, const struct scale *scale, double *low,
                   double *high);

/* Share of the samples above `value`, to a bin. */
double levels_share_above(const struct levels *levels, const struct scale *scale, double value);

/* The level at `percent` of the way from `low` to `high` (10, 50, 90: the usual reference levels).
 */
double levels_reference(double low, double high, double percent);

#endif
