// SPDX-License-Identifier: Apache-2.0
/*
 * silence.h - where a signal stopped, and by when its next edge was due.
 */
#ifndef CRANKTRAP_SILENCE_H
#define CRANKTRAP_SILENCE_H

#include "pulses.h"
#include "wheel_track.h"

/* A stretch of silence. */
struct silence {
    bool never;           /* no edge came at all */
    double last_s, due_s; /* the onset lies in between */
    double sure_s;        /* by then the longest interval of a turn was over too */
    double to_s;          /* edges resumed; NAN: not within the stretch */
    double until_s;       /* how far the silence is known to last */
    bool slowed;          /* edges came ever later before it, as of an engine that runs down */
    bool abrupt;          /* for good, from a speed that did not fall: no running engine stops so */
};

/*
 * The first silence of [from_s, to_s) that is long enough to be a loss; false: there is none.
 * `track` is that signal's, NULL: it has none. `turn_s`: a turn of its wheel takes so long, NAN:
 * not known; a sensor with few pulses a turn, whose wheel is not known, may be silent for as long.
 */
bool silence_find(const struct pulses *pulses, const struct wheel_track *track,
                  const struct vehicle_sensor *sensor, double from_s, double to_s, double turn_s,
                  struct silence *silence);

/*
 * By when the edge behind pulse `last` was due: as long behind it as the state at the same place of
 * the wheel took a turn ago (or the longest like it, where the turn is not known), with some slack,
 * but no longer than a whole period. `track` as above.
 */
double silence_due_s(const struct pulses *pulses, const struct wheel_track *track,
                     const struct vehicle_sensor *sensor, size_t last);

#endif
