// SPDX-License-Identifier: Apache-2.0
/*
 * watch_step.c - pieces of a third of the time a level must hold, and cells of what held before.
 */
#include "watch_step.h"

#include <math.h>
#include <string.h>

static const struct watch_step_bounds nothing_held = {INT32_MAX, INT32_MIN};

void watch_step_init(struct watch_step *step, const struct scale *scale, double change,
                     double within_s, double for_s) {
    memset(step, 0, sizeof *step);
    step->scale = *scale;
    step->change = fabs(scale_counts(scale, change) - scale_counts(scale, 0.0));
    step->within_s = within_s;
    step->for_s = for_s;
    watch_step_break(step);
}

void watch_step_break(struct watch_step *step) {
    step->scans = 0;
    step->whole = 0;
    step->late_count = 0;
    step->cell_count = 0;
    step->pieces = 0;
    step->before = nothing_held;
}

/* So many whole parts, at least one, that `whole` is reached. */
static size_t parts(double whole, double part) {
    double count = ceil(whole / part - 1e-6);
    return count > 1.0 ? (size_t)count : 1;
}

static void fit_period(struct watch_step *step, double period_s) {
    step->period_s = period_s;
    step->piece_scans = parts(step->for_s, period_s * WATCH_STEP_PIECES);
    size_t pieces = parts(step->within_s, period_s * (double)step->piece_scans);
    step->cell_pieces = parts((double)pieces, WATCH_STEP_CELLS);
    step->cells = parts((double)pieces, (double)step->cell_pieces);
    watch_step_break(step);
}

/* Every sample goes through here, and rests on two comparisons. */
static void add_samples(struct watch_step_bounds *piece, const int32_t *counts, size_t count) {
    int32_t low = piece->low;
    int32_t high = piece->high;
    for (size_t i = 0; i < count; i++) {
        int32_t value = counts[i];
        low = value < low ? value : low;
        high = value > high ? value : high;
    }
    *piece = (struct watch_step_bounds){low, high};
}

/* What all of the last pieces stayed at or below, at or above. */
static struct watch_step_bounds held_now(const struct watch_step *step) {
    struct watch_step_bounds held = {INT32_MIN, INT32_MAX};
    for (size_t i = 0; i < WATCH_STEP_PIECES; i++) {
        if (step->piece[i].high > held.low)
            held.low = step->piece[i].high;
        if (step->piece[i].low < held.high)
            held.high = step->piece[i].low;
    }
    return held;
}

/* The furthest that was held in either. */
static struct watch_step_bounds furthest(struct watch_step_bounds a, struct watch_step_bounds b) {
    return (struct watch_step_bounds){a.low < b.low ? a.low : b.low,
                                      a.high > b.high ? a.high : b.high};
}

static void open_cell(struct watch_step *step) {
    step->cell_at = (step->cell_at + 1) % (WATCH_STEP_CELLS + 1);
    step->cell[step->cell_at] = nothing_held;
    step->pieces = 0;
    if (step->cell_count <= step->cells)
        step->cell_count++;
    step->before = nothing_held;
    for (size_t back = 0; back < step->cell_count; back++) {
        size_t at = (step->cell_at + WATCH_STEP_CELLS + 1 - back) % (WATCH_STEP_CELLS + 1);
        step->before = furthest(step->before, step->cell[at]);
    }
}

/* What was held a whole `for` ago has become "before"; what is held now waits for that. */
static void take_held(struct watch_step *step, struct watch_step_bounds held) {
    if (step->late_count == WATCH_STEP_PIECES) {
        if (step->cell_count == 0 || step->pieces == step->cell_pieces)
            open_cell(step);
        struct watch_step_bounds *cell = &step->cell[step->cell_at];
        *cell = furthest(*cell, step->late[step->late_at]);
        step->before = furthest(step->before, *cell);
        step->pieces++;
    } else {
        step->late_count++;
    }
    step->late[step->late_at] = held;
    step->late_at = (step->late_at + 1) % WATCH_STEP_PIECES;
}

/* A piece has become whole: is what is held now a step away from what was held before? */
static bool judge(struct watch_step *step, double end_s, struct watch_step_event *event) {
    step->at = (step->at + 1) % WATCH_STEP_PIECES;
    step->scans = 0;
    if (step->whole < WATCH_STEP_PIECES && ++step->whole < WATCH_STEP_PIECES)
        return false;
    struct watch_step_bounds held = held_now(step);
    take_held(step, held);
    if (step->cell_count == 0)
        return false;
    bool more = (double)held.high - (double)step->before.low >= step->change;
    bool less = (double)step->before.high - (double)held.low >= step->change;
    if (!more && !less)
        return false;
    event->at_s = end_s - step->period_s * (double)(step->piece_scans * WATCH_STEP_PIECES);
    event->from = scale_value(&step->scale, more ? step->before.low : step->before.high);
    event->level = scale_value(&step->scale, more ? held.high : held.low);
    watch_step_break(step); /* the next one is a step from here */
    return true;
}

bool watch_step_push(struct watch_step *step, const int32_t *counts, size_t count, double time_s,
                     double period_s, size_t *used, struct watch_step_event *event) {
    if (fabs(period_s - step->period_s) > 0.01 * step->period_s)
        fit_period(step, period_s);
    for (*used = 0; *used < count;) {
        struct watch_step_bounds *piece = &step->piece[step->at];
        size_t room = step->piece_scans - step->scans;
        size_t part = count - *used < room ? count - *used : room;
        if (step->scans == 0)
            *piece = nothing_held;
        add_samples(piece, counts + *used, part);
        step->scans += part;
        *used += part;
        if (step->scans == step->piece_scans &&
            judge(step, time_s + period_s * (double)*used, event))
            return true;
    }
    return false;
}
