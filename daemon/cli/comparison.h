// SPDX-License-Identifier: Apache-2.0
/*
 * comparison.h - two attempts beside each other: every check, and every reading with its spread.
 *
 * The spread of a reading is its range over the attempts of the same set that ended alike at a like
 * speed, and at least COMPARISON_SHARE of it or COMPARISON_LEAST (of volts; 100 times that of
 * amperes), whichever is more: what differs by less is not told apart (common practice, no source).
 * The average of a signal's pulses may differ by one pulse more or less, too.
 */
#ifndef CRANKTRAP_COMPARISON_H
#define CRANKTRAP_COMPARISON_H

#include "night.h"

#include <stdbool.h>
#include <stddef.h>

#define COMPARISON_SHARE      0.03
#define COMPARISON_LEAST      0.05
#define COMPARISON_LIKE_SPEED 0.15 /* speeds this near (a share) are like (common practice) */

struct comparison_reading {
    char name[112]; /* "crank-feed, cranking: lowest" */
    const char *unit;
    double value[2], low[2], high[2]; /* of the first and of the second; NAN: not there */
    size_t attempts[2];               /* the spread is of so many */
    bool changed;                     /* beyond both spreads */
};

struct comparison_check {
    const json_t *of[2]; /* the check in each report, borrowed; NULL: not there */
};

struct comparison {
    const struct night_row *row[2]; /* borrowed, as all that follows */
    size_t reading_count;
    struct comparison_reading *readings;
    size_t check_count;
    struct comparison_check *checks;
};

/* Compares rows out of two sets (which may be the same one). 0, or -ENOMEM with `to` untouched. */
int comparison_make(const struct night *first, const struct night_row *a,
                    const struct night *second, const struct night_row *b, struct comparison *to);

/* Frees what it holds; takes a zeroed one. */
void comparison_done(struct comparison *comparison);

/* Is the object (a level, a check, a wheel of the row's report) one of the row's attempt? */
bool comparison_belongs(const struct night_row *row, const json_t *object);

/* Speed of an attempt in turns a minute; NAN: not known. */
double comparison_rpm(const struct night_row *row);

/* Are the speeds like? Where one is not known, they are taken for like. */
bool comparison_like_speed(const struct night_row *a, const struct night_row *b);

#endif
