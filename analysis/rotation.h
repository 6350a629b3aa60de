// SPDX-License-Identifier: Apache-2.0
/*
 * rotation.h - does the engine turn, how fast, and what tells so.
 *
 * Edges of any position sensor are an engine that turns; so is the ripple of its compressions. A
 * break in one sensor's edges is spanned by inertia: an engine that turned at more than 100 rpm
 * does not stop and start again within two turns, so where edges resume within that time, at about
 * the rate they broke off at, and (where the break is short enough to tell) in phase, it went on
 * turning. That nothing is seen proves nothing: only the starter's current, as high and flat as
 * that of a motor that cannot turn, or a request that neither sag nor current follows, says that
 * the engine stands. All else is unknown. Times are seconds on the record's axis.
 */
#ifndef CRANKTRAP_ROTATION_H
#define CRANKTRAP_ROTATION_H

#include "pulses.h"
#include "ripple.h"
#include "rotation_words.h"

#include <stdbool.h>
#include <stddef.h>

/* The edges of one position sensor, both directions. */
struct rotation_sensor {
    size_t channel;
    const struct pulse *pulses; /* in order of time */
    size_t pulse_count;
    size_t turn_pulses; /* in one turn of its wheel; 0: not known, gives no speed */
    double crank_turns; /* turns of the crankshaft in that: 1, of a cam 2 */
};

/* What ripple.h told of one channel. */
struct rotation_ripple {
    size_t channel;
    struct ripple_estimate estimate;
    const struct ripple_beat *beats; /* may be NULL: no run-up */
    size_t beat_count;
};

/* A stretch in which the engine stands (by current or by request). */
struct rotation_still {
    double from_s, to_s;
    enum rotation_source source;
    size_t channel;
};

/* All of it is borrowed. Sensors and ripples in order of trust. */
struct rotation_evidence {
    double from_s, to_s;
    unsigned cylinders; /* 0: not given */
    const struct rotation_sensor *sensors;
    size_t sensor_count;
    const struct rotation_ripple *ripples;
    size_t ripple_count;
    const struct rotation_still *stills;
    size_t still_count;
};

struct rotation_speed {
    double rpm, low, high; /* of the crankshaft: median, slowest, fastest */
    enum rotation_source source;
    size_t channel;
};

struct rotation;

/* Keeps copies of the structs, but not of the arrays that they point to. 0 or -ENOMEM. */
int rotation_new(const struct rotation_evidence *evidence, struct rotation **rotation);

/* Frees; takes NULL and half-built ones. */
void rotation_free(struct rotation *rotation);

/* The window in stretches without holes, in order of time; they belong to `rotation`. */
const struct rotation_stretch *rotation_stretches(const struct rotation *rotation, size_t *count);

/* The stretch at a time; outside the window an unknown one without length. */
struct rotation_stretch rotation_at(const struct rotation *rotation, double at_s);

/*
 * Speed over [from_s, to_s): of the whole turns of the first sensor that shows one there, else of
 * the first ripple's pieces of which the middle lies there. False where neither tells; `*speed` is
 * then untouched.
 */
bool rotation_speed(const struct rotation *rotation, double from_s, double to_s,
                    struct rotation_speed *speed);

/*
 * Speed at a moment, for curves over time: of the turn around it, else of the piece of ripple
 * whose middle is nearest, else (in the run-up from rest) of the compression around it, whose one
 * speed then stands in all three. False as above.
 */
bool rotation_speed_at(const struct rotation *rotation, double at_s, struct rotation_speed *speed);

/*
 * The number of cylinders (2..12) that edges and ripple together tell, 120 f / rpm: the same whole
 * number within 0.2 in most of the pieces, at least two, where both tell. 0: they do not tell. A
 * half of the true one can stand here where every other cylinder is dead.
 */
unsigned rotation_cylinders(const struct rotation *rotation);

/*
 * Is the starter held: from a fifth of a second behind its engagement on, its current as flat as
 * 15 % and no less than two thirds of its surge, for half a second or more? `current` is sliced
 * from the engagement or earlier. True with `*still` filled.
 */
bool rotation_locked(const struct ripple *current, double engaged_s, double released_s,
                     double least_current, struct rotation_still *still);

#endif
