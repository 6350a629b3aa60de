// SPDX-License-Identifier: Apache-2.0
/*
 * watch_level.c - lowest, highest, mean, true levels, duty and edges over the last half second.
 */
#include "watch_level.h"

#include <math.h>
#include <string.h>

/* What an on/off signal swings at least: less is noise on one level. */
#define LEAST_SWING_VOLTS 0.5

void watch_level_init(struct watch_level *level, const struct scale *scale, bool on_off) {
    memset(level, 0, sizeof *level);
    level->scale = *scale;
    level->on_off = on_off;
    level->least_swing = fabs(scale_counts(scale, LEAST_SWING_VOLTS) - scale_counts(scale, 0.0));
}

/* Lowest, highest and sum of a stretch. The one loop every sample of every lead goes through. */
static struct watch_slice slice_of(const int32_t *counts, size_t count) {
    int32_t lowest = counts[0];
    int32_t highest = counts[0];
    int64_t sum = 0;
    for (size_t i = 0; i < count; i++) {
        int32_t value = counts[i];
        lowest = value < lowest ? value : lowest;
        highest = value > highest ? value : highest;
        sum += value;
    }
    return (struct watch_slice){.scans = count, .lowest = lowest, .highest = highest, .sum = sum};
}

/* Edges, time above, and the two levels of an on/off signal. */
static void add_states(struct watch_level *level, struct watch_slice *slice, const int32_t *counts,
                       size_t count) {
    int32_t low_side = level->low_side;
    int32_t high_side = level->high_side;
    bool is_high = level->is_high;
    for (size_t i = 0; i < count; i++) {
        int32_t value = counts[i];
        if (value <= low_side) {
            slice->low_scans++;
            slice->low_sum += value;
            slice->edges += is_high;
            is_high = false;
        } else if (value >= high_side) {
            slice->high_scans++;
            slice->high_sum += value;
            slice->edges += !is_high;
            is_high = true;
        }
        slice->above += is_high;
    }
    level->is_high = is_high;
}

static bool extremes(const struct watch_level *level, int32_t *lowest, int32_t *highest) {
    bool any = false;
    for (size_t i = 0; i < WATCH_SLICES; i++) {
        const struct watch_slice *slice = &level->slice[i];
        if (slice->scans == 0)
            continue;
        if (!any || slice->lowest < *lowest)
            *lowest = slice->lowest;
        if (!any || slice->highest > *highest)
            *highest = slice->highest;
        any = true;
    }
    return any;
}

/* The mid level of the half second before is what the next slice is judged by. */
static void find_sides(struct watch_level *level) {
    int32_t lowest = 0;
    int32_t highest = 0;
    bool was_judging = level->judging;
    level->judging = false;
    if (!extremes(level, &lowest, &highest))
        return;
    double swing = (double)highest - (double)lowest;
    if (swing < level->least_swing || swing < 4.0)
        return;
    level->judging = true;
    level->low_side = (int32_t)floor((double)lowest + swing * 0.25);
    level->high_side = (int32_t)ceil((double)highest - swing * 0.25);
    if (!was_judging)
        level->is_high = (double)level->newest > (double)lowest + swing * 0.5;
}

static void begin_slice(struct watch_level *level, double period_s) {
    if (level->on_off)
        find_sides(level);
    level->at = (level->at + 1) % WATCH_SLICES;
    struct watch_slice *slice = &level->slice[level->at];
    memset(slice, 0, sizeof *slice);
    slice->judged = level->judging;
    double scans = WATCH_SLICE_S / period_s;
    level->slice_scans = scans > 1.0 ? (size_t)(scans + 0.5) : 1;
}

static void latch_slice(struct watch_level *level, const struct watch_slice *slice) {
    if (!level->latched || slice->lowest < level->latched_low)
        level->latched_low = slice->lowest;
    if (!level->latched || slice->highest > level->latched_high)
        level->latched_high = slice->highest;
    level->latched = true;
}

static void add_slice(struct watch_slice *slice, const struct watch_slice *fresh, double period_s) {
    if (slice->scans == 0 || fresh->lowest < slice->lowest)
        slice->lowest = fresh->lowest;
    if (slice->scans == 0 || fresh->highest > slice->highest)
        slice->highest = fresh->highest;
    slice->sum += fresh->sum;
    slice->scans += fresh->scans;
    slice->duration_s += period_s * (double)fresh->scans;
}

void watch_level_push(struct watch_level *level, const int32_t *counts, size_t count,
                      double period_s) {
    while (count > 0) {
        struct watch_slice *slice = &level->slice[level->at];
        if (slice->scans >= level->slice_scans) {
            begin_slice(level, period_s);
            slice = &level->slice[level->at];
        }
        size_t room = level->slice_scans - slice->scans;
        size_t part = count < room ? count : room;
        struct watch_slice fresh = slice_of(counts, part);
        latch_slice(level, &fresh);
        add_slice(slice, &fresh, period_s);
        if (slice->judged)
            add_states(level, slice, counts, part);
        level->newest = counts[part - 1];
        counts += part;
        count -= part;
    }
}

void watch_level_latch(struct watch_level *level) {
    level->latched = false;
}

/* Values of two counts in the channel's unit, the lower value first whichever way the scale runs.
 */
static void values_of(const struct scale *scale, double a, double b, double *low, double *high) {
    double of_a = scale_value(scale, a);
    double of_b = scale_value(scale, b);
    *low = of_a < of_b ? of_a : of_b;
    *high = of_a < of_b ? of_b : of_a;
}

bool watch_level_extremes(const struct watch_level *level, double *lowest, double *highest) {
    int32_t low = 0;
    int32_t high = 0;
    if (!extremes(level, &low, &high))
        return false;
    values_of(&level->scale, low, high, lowest, highest);
    return true;
}

/* All judged slices together. */
static struct watch_slice judged_sum(const struct watch_level *level) {
    struct watch_slice sum = {0};
    for (size_t i = 0; i < WATCH_SLICES; i++) {
        const struct watch_slice *slice = &level->slice[i];
        if (slice->scans == 0 || !slice->judged)
            continue;
        sum.scans += slice->scans;
        sum.duration_s += slice->duration_s;
        sum.low_scans += slice->low_scans;
        sum.low_sum += slice->low_sum;
        sum.high_scans += slice->high_scans;
        sum.high_sum += slice->high_sum;
        sum.above += slice->above;
        sum.edges += slice->edges;
    }
    return sum;
}

bool watch_level_has_edges(const struct watch_level *level) {
    return judged_sum(level).edges > 0;
}

static void read_states(const struct watch_level *level, struct watch_reading *reading) {
    struct watch_slice sum = judged_sum(level);
    if (sum.low_scans == 0 || sum.high_scans == 0 || sum.edges == 0)
        return;
    double low = (double)sum.low_sum / (double)sum.low_scans;
    double high = (double)sum.high_sum / (double)sum.high_scans;
    values_of(&level->scale, low, high, &reading->low, &reading->high);
    double above = (double)sum.above / (double)sum.scans;
    bool falls = scale_value(&level->scale, low) > scale_value(&level->scale, high);
    reading->duty = falls ? 1.0 - above : above;
    reading->edges_per_s = (double)sum.edges / sum.duration_s;
}

void watch_level_read(const struct watch_level *level, struct watch_reading *reading) {
    *reading = (struct watch_reading){.newest = (double)NAN,
                                      .lowest = (double)NAN,
                                      .highest = (double)NAN,
                                      .average = (double)NAN,
                                      .low = (double)NAN,
                                      .high = (double)NAN,
                                      .duty = (double)NAN,
                                      .edges_per_s = (double)NAN,
                                      .latched_low = (double)NAN,
                                      .latched_high = (double)NAN};
    if (!watch_level_extremes(level, &reading->lowest, &reading->highest))
        return;
    double sum = 0.0;
    double scans = 0.0;
    for (size_t i = 0; i < WATCH_SLICES; i++) {
        sum += (double)level->slice[i].sum;
        scans += (double)level->slice[i].scans;
    }
    reading->newest = scale_value(&level->scale, level->newest);
    reading->average = scale_value(&level->scale, sum / scans);
    if (level->latched)
        values_of(&level->scale, level->latched_low, level->latched_high, &reading->latched_low,
                  &reading->latched_high);
    if (level->on_off)
        read_states(level, reading);
}
