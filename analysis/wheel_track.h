// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_track.h - one sensor's pulses along its wheel: speed, turns, and what does not belong.
 *
 * Tooth gaps are part of the pattern and compressions of its apparent form, so neither is an event.
 * Pulses are called missing only against the same places of the wheel a turn before or after,
 * scaled by the length of the turn: slow turning alone makes long intervals too.
 */
#ifndef CRANKTRAP_WHEEL_TRACK_H
#define CRANKTRAP_WHEEL_TRACK_H

#include "pulses.h"
#include "wheel_follow.h"

/* What a track is made from; plain arrays in order of time, borrowed during the call only. */
struct wheel_signal {
    const struct pulse *pulses;
    size_t count;
    const struct pulses_hole *holes;
    size_t hole_count;
    double period_s;              /* between samples; 0: the times are exact */
    double samples_per_state;     /* as in circuit_limits.h */
    double from_s, to_s;          /* the stretch watched */
    double engaged_s, released_s; /* of the starter; NAN: it was not */
    double running_speed;         /* rpm, as in circuit_limits.h: faster is no cranking */
    enum sensor_kind kind;
    enum shaft shaft;
    struct wheel wheel;
};

enum wheel_event_kind {
    WHEEL_MISSING, /* pulses left out, between two edges that are the wheel's */
    WHEEL_EXTRA,   /* pulses that are no tooth's */
    WHEEL_BREAK,   /* silent for a turn or more, then there again */
    WHEEL_LOST     /* silent until the end of what was watched */
};

struct wheel_event {
    enum wheel_event_kind kind;
    size_t pulses;    /* missing or too many; WHEEL_BREAK: by the speed; WHEEL_LOST: 0 */
    double last_s;    /* last edge of the wheel before; NAN: none */
    double due_s;     /* when the next was due; WHEEL_EXTRA: the first of these pulses */
    double resumed_s; /* next edge of the wheel behind; NAN: none */
    double width_s;   /* WHEEL_EXTRA: of the widest; else NAN */
    bool slowing;     /* the intervals before it grew as those of an engine that runs down */
    bool in_phase;    /* WHEEL_BREAK: the teeth came back where the wheel had turned to meanwhile */
};

struct wheel_speed {
    double at_s;
    double rpm; /* of the crankshaft; the wheel's turn for a cam's sensor counts twice */
};

struct wheel_turn {
    double from_s, to_s;
};

struct wheel_track {
    struct wheel_pattern pattern; /* .state: WHEEL_FOLLOWED, or why there is nothing below */
    struct wheel_path path;
    double crank_turns; /* of the crankshaft in a turn of the wheel: 1 or 2 */
    size_t speed_count; /* one per interval; none where the length of a turn is not known */
    struct wheel_speed *speeds;
    size_t turn_count; /* whole ones, as above */
    struct wheel_turn *turns;
    size_t event_count;
    struct wheel_event *events;
    size_t refused;          /* events not claimed: too few samples in a state there, */
    double refused_state_s;  /*   the shortest of which lasted so long; NAN */
    double shortest_state_s; /* usual shorter state while the starter turned, else of all; NAN */
    bool has_speed;          /* while the starter turned, by whole turns: */
    double rpm, rpm_low, rpm_high; /* median, slowest, fastest; NAN without */
};

/* Follows the signal; events too. 0 or -ENOMEM. */
int wheel_track_new(const struct wheel_signal *signal, struct wheel_track **track);

/* Frees; takes NULL. */
void wheel_track_free(struct wheel_track *track);

/*
 * The rate in samples per second that would do for all that is claimed or was refused:
 * `samples_per_state` in the shortest state. NAN: no state was seen.
 */
double wheel_track_rate(const struct wheel_track *track, double samples_per_state);

/*
 * Turns of the wheel at `at_s`, counted through its stretch: whole ones and the part of the
 * next, by the pattern. False where the wheel was not followed there; `*stretch` tells which.
 */
bool wheel_track_position(const struct wheel_track *track, double at_s, double *turns,
                          size_t *stretch);

#endif
