// SPDX-License-Identifier: Apache-2.0
/*
 * sim_battery.h - a 12 V flooded battery: open-circuit voltage, two resistances, surface charge.
 */
#ifndef CRANKTRAP_SIM_BATTERY_H
#define CRANKTRAP_SIM_BATTERY_H

#include <stdint.h>

struct sim_battery {
    double open_volts;    /* rested, without load */
    double ohms;          /* acts at once */
    double polar_ohms;    /* acts within tenths of a second */
    double polar_volts;   /* its present drop */
    double surface_volts; /* what charging lifts and heavy load takes; fades in minutes */
    double phase[2];      /* of the night's slow drift, radians */
};

/* A rested battery, somewhat more than three quarters full. */
void sim_battery_init(struct sim_battery *battery, uint64_t seed);

/* The open-circuit voltage `at_s` seconds into the night: it drifts by some hundredths. */
void sim_battery_drift(struct sim_battery *battery, double at_s);

/* A weak one gives way under load: sluggish acid, a cold cell. */
void sim_battery_weaken(struct sim_battery *battery, double ohms_factor, double polar_factor);

/* Goes on by `seconds` under `amps` of load; `charge` 0..1: how far an alternator carries it. */
void sim_battery_step(struct sim_battery *battery, double amps, double charge, double seconds);

/* Volts behind the part of the resistance that acts at once. */
double sim_battery_source(const struct sim_battery *battery);

/* Volts at the posts under `amps`. */
double sim_battery_volts(const struct sim_battery *battery, double amps);

#endif
