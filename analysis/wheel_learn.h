// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_learn.h - the pattern in which a wheel's edges come, learnt over three of its turns.
 *
 * The *apparent* pattern: compressions recur at fixed crank angles, so that spacing and speed
 * cannot be told apart, and need not be to follow the wheel. It is found by comparing every
 * interval with the one so many edges later, each as a part of the turn around it.
 */
#ifndef CRANKTRAP_WHEEL_LEARN_H
#define CRANKTRAP_WHEEL_LEARN_H

#include "vehicle.h"

#include <stdbool.h>
#include <stddef.h>

#define WHEEL_MOST_EDGES  130 /* of one direction in a turn */
#define WHEEL_LEARN_EDGES 640 /* looked at: more are not learnt from */

enum wheel_state {
    WHEEL_TOO_FEW,      /* edges, for a pattern to be learnt */
    WHEEL_NO_PATTERN,   /* nothing repeats */
    WHEEL_NOT_AS_GIVEN, /* something else repeats than the hookup says */
    WHEEL_FOLLOWED
};

struct wheel_pattern {
    enum wheel_state state;
    size_t edges;    /* of one direction in a turn, or in what repeats; 0: not known */
    bool rises;      /* the direction that times: the more regular one */
    bool turn_known; /* `edges` are one turn: given so, or one place differs from all others */
    bool marked;     /* one place differs from all others: a gap, or a tooth too many */
    bool learnt;     /* the shares are measured; false: they are those of the wheel as given */
    bool disturbed;  /* of a wheel as given: too much is missing for its turns to be alike */
    double share[WHEEL_MOST_EDGES]; /* of a turn, from edge to edge, as they appear; sum 1 */
    double angle[WHEEL_MOST_EDGES]; /* the same as the wheel is cut, as far as that can be told */
    double scatter;                 /* of an interval from turn to turn, natural logarithm */
    double restless;                /* variance of the logarithm of the speed, per turn */
};

/*
 * Learns from the times of the edges: times[0] of those that fall, times[1] of those that rise,
 * each in order. `given` says what the hookup does (places 0: nothing). Place 0 is the edge behind
 * the longest share. 0 or -ENOMEM.
 */
int wheel_learn(const double *const times[2], const size_t counts[2], const struct wheel *given,
                enum sensor_kind kind, struct wheel_pattern *pattern);

#endif
