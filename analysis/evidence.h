// SPDX-License-Identifier: Apache-2.0
/*
 * evidence.h - all that one window shows, collected in one pass over its samples. Incremental.
 *
 * The judges (feed_judge.h, return_judge.h, ...) read it and name candidates; they measure nothing
 * themselves.
 */
#ifndef CRANKTRAP_EVIDENCE_H
#define CRANKTRAP_EVIDENCE_H

#include "pulses.h"
#include "ripple.h"
#include "survey.h"
#include "wheel_sensors.h"
#include "window.h"

#define EVIDENCE_RIPPLES 2
#define EVIDENCE_BATTERY 1   /* of these, the battery's */
#define EVIDENCE_CATCH_S 1.0 /* before and behind the release of a starter that succeeds */

struct evidence {
    const struct window *window;
    struct survey *survey;       /* every channel by phase, and around each departure */
    struct pulses **pulses;      /* one per channel; NULL: neither a signal nor a command */
    struct wheel_track **tracks; /* one per sensor, once finished; NULL: it has no signal */
    struct ripple *ripples[EVIDENCE_RIPPLES]; /* of the starter's current, of the battery; NULL */
    enum outcome outcome;                     /* of the attempt, once it is known */
    bool has_speed; /* the crank speed is known, from this channel's edges: */
    double rpm;     /*   median while the starter turned */
    size_t speed_channel;
    bool speed_certain; /* the wheel was given, or the compressions say the same */
};

/* A collector for `window`, which it keeps a pointer to, as it does to `departures`. 0 or -ENOMEM.
 */
int evidence_new(const struct window *window, const struct departure *departures,
                 size_t departure_count, struct evidence **evidence);

/* Frees; takes NULL and half-built ones. */
void evidence_free(struct evidence *evidence);

/* Takes the next run; 0 or -ENOMEM. */
int evidence_push(struct evidence *evidence, const struct record_run *run);

/* No more runs come; 0 or -ENOMEM. */
int evidence_finish(struct evidence *evidence);

/*
 * Did the engine turn in [from_s, to_s), by what else than `except` shows it: `edges` or more of
 * another sensor, or compressions in current or battery? `*teller` is the channel that tells.
 */
bool evidence_turned(const struct evidence *evidence, size_t except, double from_s, double to_s,
                     unsigned edges, size_t *teller);

/*
 * The engine turned while the starter pulled, and a signal is watched: one that runs on would show.
 * (A battery alone may be charged late.)
 */
bool evidence_follows_engine(const struct evidence *evidence);

/* Is it about then that the engine catches, and leaps from speed to speed? */
bool evidence_catches(const struct evidence *evidence, double at_s);

/* The starter's current flows, and nothing that would show it turns: the engine is held. */
bool evidence_locked(const struct evidence *evidence);

/*
 * Crank speed by the ripple of its compressions, while the starter turned, where `cylinders` was
 * given; false: it does not show. `*channel` is that of the current or the battery.
 */
bool evidence_ripple_speed(const struct evidence *evidence, double *rpm, double *slowest,
                           double *fastest, size_t *channel);

/* The starter pulls, and nothing that would show it turns: no signal has edges while cranking. */
bool evidence_stands_still(const struct evidence *evidence);

#endif
