// SPDX-License-Identifier: Apache-2.0
/*
 * window.h - the stretch of a record that one attempt's evidence is taken from.
 *
 * Windows tile the record: from where the key leads to an attempt, to where it leads to the next.
 * A record without attempts is one window. Arrays are borrowed.
 */
#ifndef CRANKTRAP_WINDOW_H
#define CRANKTRAP_WINDOW_H

#include "analysis.h"

#include <stddef.h>

struct window {
    const struct vehicle *vehicle;
    const struct limits *limits;
    double from_s, to_s;
    unsigned attempt;                    /* its number; 0: the window of a record without any */
    double engaged_s, released_s;        /* of the starter in this window; NAN: none */
    const struct analysis_phase *phases; /* of the whole record, in order of time */
    size_t phase_count;
};

/* The phase at `at_s`; PHASE_UNKNOWN before the first. */
enum phase window_phase_at(const struct window *window, double at_s);

/* How much later than its scan's time a channel was sampled, less its front end's lag; seconds. */
double window_lag_s(const struct window *window, size_t channel);

/* How many scans of a run lie before `at_s`, for a channel of that lag. */
size_t window_scans_before(const struct record_run *run, double lag_s, double at_s);

#endif
