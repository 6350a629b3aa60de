// SPDX-License-Identifier: Apache-2.0
/*
 * excursion.c - a level that leaves its range and comes back, one comparison a sample.
 *
 * Limits are turned into counts once. Counts of a falling scale run the other way: then the low
 * side of the value is the high side of the counts, and `falls` remembers it.
 */
#include "excursion.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

enum side { INSIDE, BELOW, ABOVE }; /* of the counts */

/* A trigger must not rest on a single odd conversion. */
#define FEWEST_SCANS 3

struct excursion {
    struct scale scale;
    struct excursion_range range;
    bool falls;
    int32_t inside_low, inside_high; /* counts that are inside while it is inside */
    int32_t back_low, back_high;     /* counts that end an excursion */
    enum side side;
    bool reported;
    bool seen; /* a sample inside was seen before */
    size_t scans_out;
    double last_inside_s;
    double from_s, from_until_s;
    int32_t extreme; /* counts */
};

/* Rounding of the scale must not push a value that equals its limit to the wrong side. */
#define ROUNDING 1e-6

static int32_t clamp_counts(double counts) {
    if (counts <= (double)INT32_MIN)
        return INT32_MIN;
    if (counts >= (double)INT32_MAX)
        return INT32_MAX;
    return (int32_t)counts;
}

/* Lowest and highest whole counts whose values lie within [low, high]; either may be infinite. */
static void counts_within(const struct excursion *excursion, double low, double high,
                          int32_t *least, int32_t *most) {
    double of_low = scale_counts(&excursion->scale, low);
    double of_high = scale_counts(&excursion->scale, high);
    *least = clamp_counts(ceil((excursion->falls ? of_high : of_low) - ROUNDING));
    *most = clamp_counts(floor((excursion->falls ? of_low : of_high) + ROUNDING));
}

void excursion_set_range(struct excursion *excursion, const struct excursion_range *range) {
    excursion->range = *range;
    counts_within(excursion, range->low, range->high, &excursion->inside_low,
                  &excursion->inside_high);
    counts_within(excursion, range->low + range->hysteresis, range->high - range->hysteresis,
                  &excursion->back_low, &excursion->back_high);
}

int excursion_new(const struct scale *scale, const struct excursion_range *range,
                  struct excursion **excursion) {
    struct excursion *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->scale = *scale;
    made->falls = scale->values[scale->points - 1] < scale->values[0];
    excursion_set_range(made, range);
    *excursion = made;
    return 0;
}

void excursion_free(struct excursion *excursion) {
    free(excursion);
}

static void tell(const struct excursion *excursion, bool begins, double to_s,
                 void (*report)(void *context, const struct excursion_event *event),
                 void *context) {
    struct excursion_event event = {
        .begins = begins,
        .low = (excursion->side == BELOW) != excursion->falls,
        .from_s = excursion->from_s,
        .from_until_s = excursion->from_until_s,
        .to_s = to_s,
        .extreme = scale_value(&excursion->scale, excursion->extreme),
    };
    report(context, &event);
}

/* Index of the first sample outside, or `count`. */
static size_t first_outside(const struct excursion *excursion, const int32_t *counts,
                            size_t count) {
    int32_t low = excursion->inside_low;
    int32_t high = excursion->inside_high;
    size_t i = 0;
    while (i < count && counts[i] >= low && counts[i] <= high)
        i++;
    return i;
}

static void leave(struct excursion *excursion, int32_t value, double at_s) {
    excursion->side = value < excursion->inside_low ? BELOW : ABOVE;
    excursion->from_s = excursion->seen ? excursion->last_inside_s : at_s;
    excursion->from_until_s = at_s;
    excursion->scans_out = 0;
    excursion->reported = false;
    excursion->extreme = value;
}

static bool is_back(const struct excursion *excursion, int32_t value) {
    return excursion->side == BELOW ? value >= excursion->back_low : value <= excursion->back_high;
}

static void count_outside(struct excursion *excursion, int32_t value) {
    excursion->scans_out++;
    if (excursion->side == BELOW ? value < excursion->extreme : value > excursion->extreme)
        excursion->extreme = value;
}

static bool is_long_enough(const struct excursion *excursion, double at_s, double period_s) {
    return excursion->scans_out >= FEWEST_SCANS && at_s + period_s - excursion->from_until_s >=
                                                       excursion->range.minimum_s - period_s * 0.01;
}

void excursion_push(struct excursion *excursion, const int32_t *counts, size_t count, double time_s,
                    double period_s,
                    void (*report)(void *context, const struct excursion_event *event),
                    void *context) {
    size_t i = 0;
    while (i < count) {
        if (excursion->side == INSIDE) {
            size_t inside = first_outside(excursion, counts + i, count - i);
            if (inside > 0) {
                i += inside;
                excursion->seen = true;
                excursion->last_inside_s = time_s + period_s * (double)(i - 1);
            }
            if (i == count)
                return;
            leave(excursion, counts[i], time_s + period_s * (double)i);
        }
        double at_s = time_s + period_s * (double)i;
        if (is_back(excursion, counts[i])) {
            if (excursion->reported)
                tell(excursion, false, at_s, report, context);
            excursion->side = INSIDE;
            continue; /* the same sample may lie beyond the other limit */
        }
        count_outside(excursion, counts[i]);
        if (!excursion->reported && is_long_enough(excursion, at_s, period_s)) {
            excursion->reported = true;
            tell(excursion, true, (double)NAN, report, context);
        }
        i++;
    }
}

void excursion_break(struct excursion *excursion,
                     void (*report)(void *context, const struct excursion_event *event),
                     void *context) {
    if (excursion->side != INSIDE && excursion->reported)
        tell(excursion, false, (double)NAN, report, context);
    excursion->side = INSIDE;
}
