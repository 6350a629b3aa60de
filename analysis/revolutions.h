// SPDX-License-Identifier: Apache-2.0
/*
 * revolutions.h - whole turns of a given wheel, from one direction of its edges. Incremental.
 *
 * A turn counts only where the teeth found between the gaps are as many as the wheel has; so a
 * wrong wheel, or a signal with teeth lost, gives no speed rather than a wrong one.
 */
#ifndef CRANKTRAP_REVOLUTIONS_H
#define CRANKTRAP_REVOLUTIONS_H

#include "vehicle.h"

#include <stdbool.h>
#include <stddef.h>

#define REVOLUTIONS_KEPT 128 /* turns whose lengths are kept: half a minute of cranking */

struct revolutions {
    struct wheel wheel;
    double crank_turns; /* turns of the crankshaft per turn of the wheel */
    double last_s, interval_s;
    double gap_s[2];      /* the edges right behind the newest gaps */
    unsigned gap_teeth;   /* edges since the newest gap */
    unsigned before_gap;  /* edges between the two newest gaps */
    unsigned edges, gaps; /* seen since the start or the last break */
    unsigned turns, misses;
    double lengths_s[REVOLUTIONS_KEPT];
};

/* A follower of that sensor's wheel, which must have been given (places > 0). */
void revolutions_init(struct revolutions *revolutions, const struct vehicle_sensor *sensor);

/* Takes the next edge; only edges of one direction may be given. */
void revolutions_edge(struct revolutions *revolutions, double at_s);

/* Edges may be missing here: the turn in progress is given up. */
void revolutions_break(struct revolutions *revolutions);

/*
 * Crank speed, rpm: of the median turn, the slowest and the fastest. False where too few turns were
 * whole (one between gaps, two of a wheel without), or most were not: then there is no speed.
 */
bool revolutions_rpm(const struct revolutions *revolutions, double *rpm, double *slowest,
                     double *fastest);

#endif
