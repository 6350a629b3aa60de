// SPDX-License-Identifier: Apache-2.0
/*
 * sim_fault.h - the faults of the simulated vehicle, and the contact that shaking opens.
 *
 * Three of the faults are the same bad contact in another wire: good for a meter in the morning,
 * open while the starter shakes the engine.
 */
#ifndef CRANKTRAP_SIM_FAULT_H
#define CRANKTRAP_SIM_FAULT_H

#include "sim_random.h"

#include <stdbool.h>
#include <stdint.h>

enum sim_fault_kind {
    SIM_FAULT_NONE,
    SIM_FAULT_FEED_COLLAPSE, /* the contact is in the crank sensor's feed */
    SIM_FAULT_SIGNAL_LOST,   /* in its signal wire, on the sensor's side of the probe */
    SIM_FAULT_RETURN_RISE,   /* in its return: a poor path remains */
    SIM_FAULT_BATTERY_LOW,   /* no contact: the battery gives way under load */
    SIM_FAULTS
};

/* As written in a hookup: "none", "feed-collapse", ... separated by '|'. */
#define SIM_FAULT_WORDS "none|feed-collapse|signal-lost|return-rise|battery-low"

/* The fault of that name, or SIM_FAULTS. */
enum sim_fault_kind sim_fault_from_name(const char *name);

struct sim_contact {
    struct sim_random random;
    bool bad;          /* a good one never opens */
    bool shaken;       /* the starter has turned since it was made bad */
    bool open;         /* now */
    bool settled_open; /* what it is once it has done bouncing */
    double quiet_s;    /* until it begins to bounce again */
    double bounce_s;   /* left of the present bouncing */
    double flip_s;     /* until it flips while it bounces */
    double still_s;    /* since shaking ceased */
};

/* A good contact, or a bad one that opens 0.3 to 0.5 s after the shaking begins. */
void sim_contact_init(struct sim_contact *contact, bool bad, uint64_t seed);

/* Goes on by `seconds`, with or without the starter's shaking. */
void sim_contact_step(struct sim_contact *contact, bool shaking, double seconds);

#endif
