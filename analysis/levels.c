// SPDX-License-Identifier: Apache-2.0
/*
 * levels.c - a histogram that widens its bins as the range grows, and what is read off it.
 */
#include "levels.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define STATE_BINS 100

/* What makes two heaps of samples two states. */
#define FEWEST_COUNTS  8.0  /* apart */
#define SHARE_OF_RANGE 0.4  /* of the range between the levels: else it is noise about one */
#define SHARE_NEAR     0.12 /* of the swing: so near a level a sample belongs to it */
#define SHARE_IN_STATE                                                                             \
    0.75                  /* of the samples must belong to a level: else it is a slope or sine     \
                           */
#define SHARE_LEAST 0.002 /* of the samples in the rarer state */

void levels_init(struct levels *levels) {
    memset(levels, 0, sizeof *levels);
}

static int64_t width_of(unsigned shift) {
    return (int64_t)1 << shift;
}

/* Widens the bins until [lowest, highest] fits, and moves the old bins over. */
static void make_room(struct levels *levels, int32_t lowest, int32_t highest) {
    int64_t low = levels->samples > 0 && levels->lowest < lowest ? levels->lowest : lowest;
    int64_t high = levels->samples > 0 && levels->highest > highest ? levels->highest : highest;
    if (levels->samples > 0 && low >= levels->origin &&
        high < levels->origin + LEVELS_BINS * width_of(levels->shift))
        return;
    unsigned shift = levels->shift;
    /* room on both sides, so that drift does not move the bins over and over */
    while (high - low + 2 * width_of(shift) > LEVELS_BINS * width_of(shift) * 3 / 4)
        shift++;
    int64_t spare = (LEVELS_BINS * width_of(shift) - (high - low)) / 2;
    int64_t origin = (low - spare) & ~(width_of(shift) - 1);
    uint64_t times[LEVELS_BINS] = {0};
    int64_t sums[LEVELS_BINS] = {0};
    for (size_t i = 0; i < LEVELS_BINS; i++) {
        if (levels->times[i] == 0)
            continue;
        int64_t start = levels->origin + (int64_t)i * width_of(levels->shift);
        size_t to = (size_t)((start - origin) >> shift);
        times[to] += levels->times[i];
        sums[to] += levels->sums[i];
    }
    memcpy(levels->times, times, sizeof times);
    memcpy(levels->sums, sums, sizeof sums);
    levels->origin = origin;
    levels->shift = shift;
}

void levels_push(struct levels *levels, const int32_t *counts, size_t count) {
    if (count == 0)
        return;
    int32_t lowest = counts[0];
    int32_t highest = counts[0];
    for (size_t i = 1; i < count; i++) {
        lowest = counts[i] < lowest ? counts[i] : lowest;
        highest = counts[i] > highest ? counts[i] : highest;
    }
    make_room(levels, lowest, highest);
    int64_t before = levels->samples > 0 ? levels->newest : counts[0];
    int64_t steps = 0;
    for (size_t i = 0; i < count; i++) {
        size_t bin = (size_t)((counts[i] - levels->origin) >> levels->shift);
        levels->times[bin]++;
        levels->sums[bin] += counts[i];
        steps += llabs(counts[i] - before);
        before = counts[i];
    }
    levels->lowest = levels->samples > 0 && levels->lowest < lowest ? levels->lowest : lowest;
    levels->highest = levels->samples > 0 && levels->highest > highest ? levels->highest : highest;
    levels->newest = counts[count - 1];
    levels->steps += (double)steps;
    levels->samples += count;
}

void levels_merge(struct levels *levels, const struct levels *other) {
    if (other->samples == 0)
        return;
    make_room(levels, other->lowest, other->highest);
    levels->lowest =
        levels->samples > 0 && levels->lowest < other->lowest ? levels->lowest : other->lowest;
    levels->highest =
        levels->samples > 0 && levels->highest > other->highest ? levels->highest : other->highest;
    for (size_t i = 0; i < LEVELS_BINS; i++) {
        if (other->times[i] == 0)
            continue;
        int64_t middle = other->sums[i] / (int64_t)other->times[i];
        size_t bin = (size_t)((middle - levels->origin) >> levels->shift);
        levels->times[bin] += other->times[i];
        levels->sums[bin] += other->sums[i];
    }
    levels->newest = other->newest;
    levels->steps += other->steps;
    levels->samples += other->samples;
}

/* Average of the samples in a bin that has some, as a value. */
static double bin_value(const struct levels *levels, const struct scale *scale, size_t bin) {
    return scale_value(scale, (double)levels->sums[bin] / (double)levels->times[bin]);
}

double levels_average(const struct levels *levels, const struct scale *scale) {
    double sum = 0.0;
    for (size_t i = 0; i < LEVELS_BINS; i++) {
        if (levels->times[i] > 0)
            sum += (double)levels->times[i] * bin_value(levels, scale, i);
    }
    return levels->samples > 0 ? sum / (double)levels->samples : (double)NAN;
}

static bool falls(const struct scale *scale) {
    return scale->values[scale->points - 1] < scale->values[0];
}

double levels_percentile(const struct levels *levels, const struct scale *scale, double share) {
    double wanted = share * (double)levels->samples;
    double seen = 0.0;
    double value = (double)NAN;
    bool down = falls(scale);
    for (size_t i = 0; i < LEVELS_BINS; i++) {
        size_t bin = down ? LEVELS_BINS - 1 - i : i;
        if (levels->times[bin] == 0)
            continue;
        value = bin_value(levels, scale, bin);
        seen += (double)levels->times[bin];
        if (seen >= wanted)
            break;
    }
    return value;
}

double levels_noise(const struct levels *levels, const struct scale *scale) {
    if (levels->samples < 2)
        return 0.0;
    double step = levels->steps / (double)(levels->samples - 1);
    double middle = ((double)levels->lowest + (double)levels->highest) / 2.0;
    double slope = fabs(scale_value(scale, middle + 0.5) - scale_value(scale, middle - 0.5));
    return step * slope / 1.128; /* mean step between two normal samples: 2/sqrt(pi) sigma */
}

struct heap {
    double times;
    double sum; /* counts */
};

/* The mean of a half's fullest bin and its nearest neighbours (a mode that noise does not shift).
 */
static bool mode_of(const struct heap *heaps, size_t from, size_t to, double *level) {
    size_t fullest = from;
    for (size_t i = from; i < to; i++) {
        if (heaps[i].times > heaps[fullest].times)
            fullest = i;
    }
    struct heap near = {0.0, 0.0};
    for (size_t i = fullest >= from + 2 ? fullest - 2 : from; i < to && i <= fullest + 2; i++) {
        near.times += heaps[i].times;
        near.sum += heaps[i].sum;
    }
    if (near.times == 0.0)
        return false;
    *level = near.sum / near.times;
    return true;
}

/* Do the samples keep to the two levels (counts)? */
static bool are_states(const struct levels *levels, const struct heap *heaps, double low,
                       double high) {
    double swing = high - low;
    double range = (double)levels->highest - (double)levels->lowest;
    if (swing < FEWEST_COUNTS || swing < SHARE_OF_RANGE * range)
        return false;
    double near_low = 0.0;
    double near_high = 0.0;
    for (size_t i = 0; i < STATE_BINS; i++) {
        if (heaps[i].times == 0.0)
            continue;
        double mean = heaps[i].sum / heaps[i].times;
        if (fabs(mean - low) <= SHARE_NEAR * swing)
            near_low += heaps[i].times;
        else if (fabs(mean - high) <= SHARE_NEAR * swing)
            near_high += heaps[i].times;
    }
    double all = (double)levels->samples;
    return near_low + near_high >= SHARE_IN_STATE * all &&
           fmin(near_low, near_high) >= SHARE_LEAST * all;
}

bool levels_states(const struct levels *levels, const struct scale *scale, double *low,
                   double *high) {
    struct heap heaps[STATE_BINS] = {{0.0, 0.0}};
    double range = (double)levels->highest - (double)levels->lowest;
    double low_counts;
    double high_counts;
    if (levels->samples == 0 || range <= 0.0)
        return false;
    for (size_t i = 0; i < LEVELS_BINS; i++) {
        if (levels->times[i] == 0)
            continue;
        double mean = (double)levels->sums[i] / (double)levels->times[i];
        size_t heap = (size_t)((mean - levels->lowest) / range * STATE_BINS);
        heap = heap < STATE_BINS ? heap : STATE_BINS - 1;
        heaps[heap].times += (double)levels->times[i];
        heaps[heap].sum += (double)levels->sums[i];
    }
    if (!mode_of(heaps, 0, STATE_BINS / 2, &low_counts) ||
        !mode_of(heaps, STATE_BINS / 2, STATE_BINS, &high_counts) ||
        !are_states(levels, heaps, low_counts, high_counts))
        return false;
    double a = scale_value(scale, low_counts);
    double b = scale_value(scale, high_counts);
    *low = fmin(a, b);
    *high = fmax(a, b);
    return true;
}

double levels_share_above(const struct levels *levels, const struct scale *scale, double value) {
    double above = 0.0;
    for (size_t i = 0; i < LEVELS_BINS; i++) {
        if (levels->times[i] > 0 && bin_value(levels, scale, i) > value)
            above += (double)levels->times[i];
    }
    return levels->samples > 0 ? above / (double)levels->samples : (double)NAN;
}

double levels_reference(double low, double high, double percent) {
    return low + (high - low) * percent / 100.0;
}
