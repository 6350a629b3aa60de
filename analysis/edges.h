// SPDX-License-Identifier: Apache-2.0
/*
 * edges.h - finds the edges of a signal, with times between the samples. Incremental.
 *
 * The two states are followed as an envelope of the recent highest and lowest values. An edge
 * counts when the signal has gone from below 30 % to above 70 % of the swing, or back (hysteresis);
 * of an inductive sensor, from below 44 % to above 56 %, for the swing beside a wheel's gap is
 * three times that of its teeth. Its time is where it crossed the 50 % level, by a straight line
 * between samples (the mid reference level of IEEE Std 181).
 */
#ifndef CRANKTRAP_EDGES_H
#define CRANKTRAP_EDGES_H

#include "vehicle.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct edge {
    double at_s;
    bool rises;       /* of the value, whatever the scale does to the counts */
    bool first_state; /* the state before it was not seen to begin (record's start, or a loss) */
    double swing;     /* between the extremes of the two states before it, counts; 0: not known */
};

struct edges;

/* A finder for one kind of sensor on a channel of that scale. 0 or -ENOMEM. */
int edges_new(const struct scale *scale, enum sensor_kind kind, struct edges **edges);

/*
 * A finder for a channel of the vehicle: of a command, and of a Hall output that is pulled up to
 * the battery, nothing is an edge that a starter could do to the battery. 0 or -ENOMEM.
 */
int edges_new_of_channel(const struct vehicle *vehicle, size_t channel, struct edges **edges);

/* Before the first samples: nothing below `volts` from low to high is an edge. */
void edges_set_least_swing(struct edges *edges, double volts);

/* Frees; takes NULL. */
void edges_free(struct edges *edges);

/* Takes `count` samples that begin at `time_s`; `report` is called for every edge, in order. */
void edges_push(struct edges *edges, const int32_t *counts, size_t count, double time_s,
                double period_s, void (*report)(void *context, const struct edge *edge),
                void *context);

/* Samples are missing here: no edge is made up across the hole. */
void edges_break(struct edges *edges);

#endif
