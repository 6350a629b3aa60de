// SPDX-License-Identifier: Apache-2.0
/*
 * import_grid.h - rows with a time to scans that follow evenly; missing rows are counted.
 *
 * The grid follows the rows slowly, so that neither rounded times nor a clock that drifts by some
 * parts per million move it off them. Pure and repeatable: both passes over the file agree.
 */
#ifndef CRANKTRAP_IMPORT_GRID_H
#define CRANKTRAP_IMPORT_GRID_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define IMPORT_TOLERANCE 0.25 /* of a period: how far a row's time may be off the even spacing */
#define IMPORT_FAR       100  /* periods: after a longer break the grid begins at the row again */

struct import_grid {
    double period_s; /* now */
    double time_s;   /* of `scan` by the grid, not by the row */
    double last_s;   /* by the row */
    uint64_t scan;   /* of the newest row */
    bool begun;
};

enum import_place {
    IMPORT_PLACED,
    IMPORT_SAME_TIME, /* as the row before */
    IMPORT_BACKWARDS,
    IMPORT_UNEVEN,
};

struct import_step {
    uint64_t missing; /* rows missing right before this one */
    double deviation; /* of the row's time from the grid, in periods; 0 after a far break */
};

/*
 * The period that places most of the first rows (`count` >= 2 times in seconds, in file order).
 * 0 where no time rises, or without memory.
 */
double import_grid_period(const double *times, size_t count);

/* Begins anew with that period. */
void import_grid_begin(struct import_grid *grid, double period_s);

/*
 * Places the next row. grid->scan and grid->time_s are then its own. A row that is uneven moves
 * the grid to itself; one that goes backwards, or stands still, leaves it.
 */
enum import_place import_grid_place(struct import_grid *grid, double time_s,
                                    struct import_step *step);

#endif
