// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_helper.h - pulses for the tests of wheels: off recordings, as they are or sampled, and with
 * faults laid over them.
 */
#ifndef CRANKTRAP_TESTS_WHEEL_HELPER_H
#define CRANKTRAP_TESTS_WHEEL_HELPER_H

#include "recording_helper.h"
#include "wheel_track.h"

struct pulse_list {
    size_t count, room;
    struct pulse *pulses;
    double to_s; /* watched until */
};

void pulse_list_add(struct pulse_list *list, double at_s, bool rises);
void pulse_list_free(struct pulse_list *list);

/* The changes of a logic level. */
struct pulse_list pulses_of_levels(const struct recording *recording);

/* What edges.c finds in the same as an open collector's volts, with noise, at that rate. */
struct pulse_list pulses_of_sampled_levels(const struct recording *recording, double rate_hz);

/* What edges.c finds in a recording of volts, drawn by straight lines at that rate. */
struct pulse_list pulses_of_volts(const struct recording *recording, double rate_hz);

/* A crank sensor's signal of all the pulses, the starter engaged from the first to the last. */
struct wheel_signal wheel_signal_of(const struct pulse_list *list, const char *wheel);

/* The track; ends the test where there is none. Prints it when CRANKTRAP_VERBOSE is set. */
struct wheel_track *wheel_track_of(const struct wheel_signal *signal);

/* Prints what a track holds. */
void wheel_print(const struct wheel_track *track);

#endif
