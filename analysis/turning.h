// SPDX-License-Identifier: Apache-2.0
/*
 * turning.h - from one signal's edges: does the shaft turn, how fast, since when. Incremental.
 */
#ifndef CRANKTRAP_TURNING_H
#define CRANKTRAP_TURNING_H

#include "edges.h"
#include "vehicle.h"

#include <stdbool.h>
#include <stddef.h>

#define TURNING_MEMORY 128 /* edges remembered */

struct turning {
    double times[TURNING_MEMORY];
    size_t newest;
    size_t remembered;    /* of this stretch of turning */
    size_t span;          /* edges over which the rate is taken: a whole turn where known */
    double rpm_of_rate;   /* crank rpm = this times edges per second; NAN: wheel not given */
    double since_s;       /* first edge of this stretch */
    double cranking_rate; /* edges per second of the last cranking; NAN: none was seen */
    double cranking_sum;  /*   its running average */
    unsigned cranking_count;
};

/* A follower for that sensor's signal. */
void turning_init(struct turning *turning, const struct vehicle_sensor *sensor);

/* Takes the next edge. */
void turning_edge(struct turning *turning, double at_s);

/* Edges have come regularly up to `now_s`. */
bool turning_now(const struct turning *turning, double now_s);

/* Time of the newest edge of this stretch; NAN where none was. */
double turning_last_s(const struct turning *turning);

/* Edges per second, both directions, over the last turn or some dozen edges; NAN: too few. */
double turning_rate(const struct turning *turning);

/* The same over the edges since `from_s` up to now; NAN: fewer than four, or too short a time. */
double turning_rate_since(const struct turning *turning, double from_s, double now_s);

/* Crank speed, rpm; NAN where the wheel was not given. */
double turning_rpm(const struct turning *turning);

/* The engine begins to be turned: what came before (a key turned on) is no part of its rate. */
void turning_restart(struct turning *turning, double from_s);

/* While the starter turns the engine: learns the rate to compare with. Call now and then. */
void turning_learn_cranking(struct turning *turning, bool begins);

enum speed { SPEED_UNKNOWN, SPEED_CRANKING, SPEED_RUNNING };

/*
 * The kind of speed: by `running_rpm` where the wheel is given, else by the rate of the last
 * cranking (more than twice that is an engine that runs by itself).
 */
enum speed turning_speed(const struct turning *turning, double running_rpm);

/*
 * Does the engine run by itself since the starter let go at `released_s`? By the edges since then
 * alone: those before may have been spikes. Not yet known: false.
 */
bool turning_runs_since(const struct turning *turning, double released_s, double now_s,
                        double running_rpm);

#endif
