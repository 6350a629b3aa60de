// SPDX-License-Identifier: Apache-2.0
/*
 * comparison_wheels.h - the wheels of two attempts beside each other: apparent pattern, and where
 * the cam's edges come on the crank's turn.
 *
 * Patterns are compared at like speed, in the same phase: compressions shape them too. Places and
 * angles have spreads of their own: twice what they differ by from turn to turn, the range over the
 * attempts of the same set that ended alike at a like speed, and at least
 * COMPARISON_LEAST_INTERVAL of an interval or COMPARISON_LEAST_DEGREES of the crank (common
 * practice, no source).
 */
#ifndef CRANKTRAP_COMPARISON_WHEELS_H
#define CRANKTRAP_COMPARISON_WHEELS_H

#include "comparison.h"

#define COMPARISON_LEAST_INTERVAL 0.15
#define COMPARISON_LEAST_DEGREES  1.0

struct comparison_wheel {
    const char *sensor;  /* borrowed, as all that follows */
    const json_t *of[2]; /* of `wheels` in the reports; NULL: not measured */
    const char *why;     /* the patterns are not compared: a static sentence; NULL: they are */
    size_t place_count;  /* intervals that changed beyond both spreads: */
    size_t *places;      /*   which, from 0 behind the gap; owned */
};

struct comparison_cam {
    const char *crank, *cam; /* sensors */
    const json_t *of[2];     /* of `cams` in the reports; NULL: not measured */
    const char *why;         /* as above */
    double moved_by;         /* degrees of the crank; above 0: later in the second. NAN */
    double spread[2];        /* to either side, of the first and of the second */
    bool changed;            /* beyond both */
};

struct comparison_wheels {
    size_t wheel_count;
    struct comparison_wheel *wheels;
    size_t cam_count;
    struct comparison_cam *cams;
};

/* Compares rows out of two sets, as comparison_make(). 0, or -ENOMEM with `to` untouched. */
int comparison_wheels_make(const struct night *first, const struct night_row *a,
                           const struct night *second, const struct night_row *b,
                           struct comparison_wheels *to);

/* Frees what it holds; takes a zeroed one. */
void comparison_wheels_done(struct comparison_wheels *wheels);

/* Does anything of the wheels differ beyond both spreads? */
bool comparison_wheels_differ(const struct comparison_wheels *wheels);

#endif
