// SPDX-License-Identifier: Apache-2.0
/*
 * battery.h - tells from the battery's voltage alone when a starter pulls on it. Incremental.
 *
 * A starter shows as a fall within milliseconds, the surge of a motor at rest (a depth that eases
 * off, or one that nothing else reaches), the ripple of the compressions, and a recovery. A glow
 * plug, a lamp or a pump is a step that stays: it becomes the new level to fall from.
 */
#ifndef CRANKTRAP_BATTERY_H
#define CRANKTRAP_BATTERY_H

#include "circuit_limits.h"

#include <stdbool.h>
#include <stddef.h>

#define BATTERY_MEMORY 64 /* averages kept to find where a fall began */

enum battery_state { BATTERY_UNSEEN, BATTERY_AT_REST, BATTERY_FALLING, BATTERY_CRANKING };

struct battery {
    const struct limits *limits;
    double system_volts;
    enum battery_state state;
    double rest;  /* level to fall from */
    double level; /* average of the last third of a second */
    double volts[BATTERY_MEMORY];
    double times[BATTERY_MEMORY];
    size_t newest;
    size_t remembered;

    double fell_s; /* where the present or last fall began */
    double lowest; /* since then */
    double deep_for_s;

    double cranking_from_s, cranking_to_s; /* of the present or last cranking */
    double cranking_rest;                  /* the level before it; NAN: none yet */
    double sagged_by; /* how far the cranking holds it down, averaged; 0: in the surge yet */
    double back_from_s, back_for_s; /* risen again since, and for how long */

    bool ripple_wanted; /* a load came on that only ripple can tell from a starter */
    double ripple_rest, ripple_from_s;
    double ripple_smooth, ripple_turned_s;
    bool ripple_above;
    unsigned ripple_turns;

    double charging_for_s; /* at charging level for so long */
};

/* A tracker for a 12 or 24 V battery; keeps the pointer to the limits. */
void battery_init(struct battery *battery, const struct limits *limits, double system_volts);

/*
 * Takes the average of the next few milliseconds, `length_s` long around `at_s`. `asked` says that
 * a start request is on now, `key_off` that the ignition line is watched and off.
 */
void battery_push(struct battery *battery, double volts, double at_s, double length_s, bool asked,
                  bool key_off);

/*
 * The engine has begun to turn since the load came on that only ripple could tell from a starter
 * (`ripple_wanted`): then it is one.
 */
void battery_confirm(struct battery *battery);

/* Samples are missing here: a fall across the hole is not dated finer than the hole. */
void battery_break(struct battery *battery);

#endif
