// SPDX-License-Identifier: Apache-2.0
/*
 * measuring.h - what the board itself does to what it measures: a known voltage that it reads
 * wrong, a pull-up that it loads, edges that it is too slow for or blind to; and what the hookup
 * says otherwise than the record.
 *
 * The limits are common practice, no source.
 */
#ifndef CRANKTRAP_MEASURING_H
#define CRANKTRAP_MEASURING_H

#include "analysis.h"
#include "hookup.h"

#include <stdbool.h>
#include <stddef.h>

struct measuring_note {
    size_t channel;
    const char *about; /* "loading", "reference", "speed", "cylinders" */
    bool serious;      /* to be put right before the levels are believed */
    char text[400];    /* without the channel's name */
};

/* Of the `n`-th sensor: how far its signal's input loads its pull-up. False: not worth a word. */
bool measuring_loading(const struct vehicle *vehicle, size_t sensor, struct measuring_note *note);

/*
 * Of a channel of role `reference` with a nominal level: how far it was from it in the phases of a
 * record. False: it was not, or is none.
 */
bool measuring_reference(const struct hookup *hookup, const struct analysis *analysis,
                         size_t channel, struct measuring_note *note);

/*
 * Of a signal's channel on a board that takes so many scans a second (0: not known) and sees
 * nothing for `dead_time_s` between its bursts (0: a steady stream): which edges it misses while
 * the starter turns the engine at 200 rpm. False: none, or it is no signal.
 */
bool measuring_speed(const struct hookup *hookup, size_t channel, double rate_hz,
                     double dead_time_s, struct measuring_note *note);

/*
 * Where the edges of a wheel and the compressions tell another number of cylinders than the hookup
 * gives. False: they do not, or none was given.
 */
bool measuring_cylinders(const struct vehicle *vehicle, const struct analysis *analysis,
                         struct measuring_note *note);

#endif
