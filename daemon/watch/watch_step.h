// SPDX-License-Identifier: Apache-2.0
/*
 * watch_step.h - a level that changes by at least so much within a time, and stays. Incremental.
 *
 * A level counts where it held for a time (three scans at least): the new one from where the change
 * ended, the old one until some moment of the time before. So a spike that is shorter is no step,
 * neither on its way up nor on its way back. Raw counts, the change scaled beforehand; the extremes
 * of the time before are kept in cells, so it is looked back by up to a cell more than asked for.
 * Private to watch, and under its lock.
 */
#ifndef CRANKTRAP_WATCH_STEP_H
#define CRANKTRAP_WATCH_STEP_H

#include "vehicle.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define WATCH_STEP_PIECES 3  /* that a level holds for */
#define WATCH_STEP_CELLS  32 /* of the time to look back */

/* Bounds of a stretch. As "held": the samples stayed at or below `low`, at or above `high`. */
struct watch_step_bounds {
    int32_t low, high;
};

struct watch_step {
    struct scale scale;
    double change; /* counts */
    double within_s, for_s;
    double period_s;    /* the sizes below are made for it; 0: no sample has come */
    size_t piece_scans; /* of a third of for_s */
    size_t cell_pieces; /* of a cell of the time before */
    size_t cells;       /* that span within_s */
    struct watch_step_bounds piece[WATCH_STEP_PIECES]; /* extremes; a ring, [at] is being filled */
    size_t at, scans, whole;                           /* scans in it; pieces that are whole */
    struct watch_step_bounds late[WATCH_STEP_PIECES];  /* held, and not yet "before"; a ring */
    size_t late_at, late_count;
    struct watch_step_bounds cell[WATCH_STEP_CELLS + 1]; /* held before; a ring */
    size_t cell_at, cell_count, pieces;                  /* pieces in the one being filled */
    struct watch_step_bounds before;                     /* over all cells */
};

struct watch_step_event {
    double at_s;        /* the new level holds since */
    double from, level; /* the old one and the new one, in the channel's unit */
};

/* `change` > 0 in the channel's unit; the scale is copied. */
void watch_step_init(struct watch_step *step, const struct scale *scale, double change,
                     double within_s, double for_s);

/*
 * Looks at samples that begin at `time_s`, up to the first step in them; `*used` is how many
 * samples that was: call again with the rest. True: `*event` is that step.
 */
bool watch_step_push(struct watch_step *step, const int32_t *counts, size_t count, double time_s,
                     double period_s, size_t *used, struct watch_step_event *event);

/* Scans are missing here: what was before is forgotten. */
void watch_step_break(struct watch_step *step);

#endif
