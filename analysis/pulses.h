// SPDX-License-Identifier: Apache-2.0
/*
 * pulses.h - all edges of one signal in a window, and where they could not be seen. Incremental.
 *
 * What a wheel's learning, the order of events and the signal's faults are told from.
 */
#ifndef CRANKTRAP_PULSES_H
#define CRANKTRAP_PULSES_H

#include "window.h"

#include <stdbool.h>
#include <stddef.h>

struct pulse {
    double at_s; /* crossing of the middle, between the samples */
    bool rises;
    bool first_state; /* the state before it was not seen to begin: no width, no interval */
};

/* A stretch in which nothing was sampled. */
struct pulses_hole {
    double from_s, to_s; /* the last sample before, the first behind */
};

struct pulses;

/* For one signal (or command) channel; keeps the pointer to the window. 0 or -ENOMEM. */
int pulses_new(const struct window *window, size_t channel, struct pulses **pulses);

/* Frees; takes NULL. */
void pulses_free(struct pulses *pulses);

/* Takes the next run of any stream; 0 or -ENOMEM. */
int pulses_push(struct pulses *pulses, const struct record_run *run);

/* The pulses in order of time; they belong to `pulses` and stay until the next push. */
const struct pulse *pulses_list(const struct pulses *pulses, size_t *count);

/* The holes in order of time; as above. */
const struct pulses_hole *pulses_holes(const struct pulses *pulses, size_t *count);

/* Are samples missing somewhere in (from_s, to_s)? */
bool pulses_in_hole(const struct pulses *pulses, double from_s, double to_s);

/* Index of the first pulse later than `at_s` (the count, where there is none). */
size_t pulses_after(const struct pulses *pulses, double at_s);

/* Longest time between two samples of this signal, holes apart; 0: no sample came. */
double pulses_period_s(const struct pulses *pulses);

/* Time of the newest sample: the signal was watched until then; NAN: no sample came. */
double pulses_until_s(const struct pulses *pulses);

/* Pulses beyond the most that are kept: an engine that runs for hours in one window. */
size_t pulses_dropped(const struct pulses *pulses);

#endif
