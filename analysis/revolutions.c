// SPDX-License-Identifier: Apache-2.0
/*
 * revolutions.c - finds the gaps of a wheel, counts the teeth between, times the turns.
 */
#include "revolutions.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

void revolutions_init(struct revolutions *revolutions, const struct vehicle_sensor *sensor) {
    memset(revolutions, 0, sizeof *revolutions);
    revolutions->wheel = sensor->wheel;
    revolutions->crank_turns = sensor->shaft == SHAFT_CAM ? 2.0 : 1.0;
    revolutions_break(revolutions);
}

void revolutions_break(struct revolutions *revolutions) {
    revolutions->last_s = (double)NAN;
    revolutions->interval_s = (double)NAN;
    revolutions->edges = 0;
    revolutions->gaps = 0;
    revolutions->gap_teeth = 0;
    revolutions->before_gap = 0;
}

static unsigned teeth_of(const struct wheel *wheel) {
    return wheel->places - wheel->missing - wheel->missing_again;
}

static void count_turn(struct revolutions *revolutions, double length_s) {
    if (revolutions->turns < REVOLUTIONS_KEPT)
        revolutions->lengths_s[revolutions->turns++] = length_s;
}

/* Intervals of `missing` + 1 pitches against one: half-way between is the border. */
static double gap_ratio(const struct wheel *wheel) {
    unsigned smallest = wheel->missing;
    if (wheel->missing_again > 0 && wheel->missing_again < smallest)
        smallest = wheel->missing_again;
    return 1.0 + 0.5 * (double)smallest;
}

/* The edge right behind a gap. */
static void gap(struct revolutions *revolutions, double at_s) {
    bool two_gaps = revolutions->wheel.missing_again > 0;
    unsigned needed = two_gaps ? 2 : 1;
    unsigned teeth = revolutions->gap_teeth + (two_gaps ? revolutions->before_gap : 0);
    if (revolutions->gaps >= needed) {
        if (teeth == teeth_of(&revolutions->wheel))
            count_turn(revolutions, at_s - revolutions->gap_s[needed - 1]);
        else
            revolutions->misses++;
    }
    revolutions->gap_s[1] = revolutions->gap_s[0];
    revolutions->gap_s[0] = at_s;
    revolutions->before_gap = revolutions->gap_teeth;
    revolutions->gap_teeth = 0;
    revolutions->gaps++;
}

void revolutions_edge(struct revolutions *revolutions, double at_s) {
    double interval_s = at_s - revolutions->last_s; /* NAN for the first */
    revolutions->last_s = at_s;
    if (revolutions->wheel.missing == 0) {
        if (revolutions->edges % revolutions->wheel.places == 0) {
            if (revolutions->edges > 0)
                count_turn(revolutions, at_s - revolutions->gap_s[0]);
            revolutions->gap_s[0] = at_s;
        }
        revolutions->edges++;
        return;
    }
    revolutions->edges++;
    revolutions->gap_teeth++;
    if (isnan(revolutions->interval_s)) {
        revolutions->interval_s = interval_s;
    } else if (interval_s > gap_ratio(&revolutions->wheel) * revolutions->interval_s) {
        gap(revolutions, at_s);
    } else {
        revolutions->interval_s = interval_s;
    }
}

static int by_length(const void *left, const void *right) {
    double a = *(const double *)left;
    double b = *(const double *)right;
    return (a > b) - (a < b);
}

bool revolutions_rpm(const struct revolutions *revolutions, double *rpm, double *slowest,
                     double *fastest) {
    double lengths_s[REVOLUTIONS_KEPT];
    size_t turns = revolutions->turns;
    unsigned fewest = revolutions->wheel.missing > 0 ? 1 : 2; /* a gap confirms the teeth */
    if (turns < fewest || revolutions->misses > turns)
        return false;
    memcpy(lengths_s, revolutions->lengths_s, turns * sizeof *lengths_s);
    qsort(lengths_s, turns, sizeof *lengths_s, by_length);
    double minutes = 60.0 * revolutions->crank_turns;
    *rpm = minutes * 2.0 / (lengths_s[(turns - 1) / 2] + lengths_s[turns / 2]);
    *slowest = minutes / lengths_s[turns - 1];
    *fastest = minutes / lengths_s[0];
    return true;
}
