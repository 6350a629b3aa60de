// SPDX-License-Identifier: Apache-2.0
/*
 * collapse.h - is a dip of a feed an event, and how sure is it that the feed itself fell?
 *
 * Looks for what else would show the same: the key turned off, the battery too low for the
 * regulator, a return that rose, a probe that fell off while the sensor went on working.
 */
#ifndef CRANKTRAP_COLLAPSE_H
#define CRANKTRAP_COLLAPSE_H

#include "survey.h"

#include <stdbool.h>
#include <stddef.h>

struct collapse {
    const struct departure *dip;
    size_t index;  /* of the dip in the survey */
    size_t sensor; /* that uses the feed, or CHANNEL_NONE */
    size_t ret;    /* that it is judged against, or CHANNEL_NONE */
    size_t battery;
    enum phase phase;

    bool event; /* not the key, not the inrush */
    /* What explains it otherwise: then the feed is not blamed. */
    bool battery_low;  /* the battery left the regulator too little */
    bool return_rose;  /* the feed stayed, its return did not */
    bool lead_suspect; /* a sensor on it went on swinging fully */
    size_t swinging;   /* that sensor's signal */
    /* What keeps it from being certain. */
    bool battery_unwatched;
    bool key_unclear;      /* nothing but this feed and what hangs on it tells the key */
    bool loss_at_onset;    /* scans are missing where it fell */
    bool barely;           /* so little below its limit that the measurement's error could be all */
    bool clipped;          /* it stood at the input's end before: its value was not known */
    bool ends_at_once;     /* the record ends just behind */
    bool ground_unclear;   /* no return, and the board's ground is not at the battery */
    size_t stopped_before; /* a signal on it that had stopped before; CHANNEL_NONE */

    double before;         /* the feed, volts (absolute) */
    double lowest;         /* while down */
    double battery_volts;  /* lowest around the onset; NAN */
    double return_highest; /* while down; NAN */
};

/* Judges dip `index` of the survey. */
struct collapse collapse_judge(const struct survey *survey, size_t index);

/*
 * A fall (of a feed or a supply) is an event: not the key turned off, not the starter's inrush, and
 * it was seen up before.
 */
bool collapse_is_event(const struct survey *survey, const struct departure *dip);

/* It is an event and nothing else explains it. */
bool collapse_stands(const struct collapse *collapse);

/* How sure: of one that stands. */
enum certainty collapse_certainty(const struct collapse *collapse);

/* When the next edge of a signal was due behind its last one before the dip; NAN: not known. */
double collapse_edge_due(const struct survey *survey, size_t index, size_t signal);

/* The signal has no edges while the feed is down (but the one of its going). */
bool collapse_silences(const struct survey *survey, size_t index, size_t signal);

#endif
