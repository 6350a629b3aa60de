// SPDX-License-Identifier: Apache-2.0
/*
 * sim_engine.h - starter motor and engine: current, torque, compressions, speed, crank angle.
 */
#ifndef CRANKTRAP_SIM_ENGINE_H
#define CRANKTRAP_SIM_ENGINE_H

#include <stdbool.h>

struct sim_engine {
    unsigned cylinders;
    double friction;    /* of a standard engine's */
    double idle_speed;  /* rad/s */
    bool engaged;       /* the starter's contacts are closed */
    bool firing;        /* it runs by itself */
    double angle;       /* of the crank, radians, within two turns: 0 .. 4 pi */
    double speed;       /* of the crank, rad/s */
    double motor_speed; /* of the starter, as a crank speed: the same until its clutch overruns */
    double amps;        /* of the starter */
    double firing_s;    /* since it caught */
};

/* An engine at rest, with its crank at `angle`. */
void sim_engine_init(struct sim_engine *engine, unsigned cylinders, double angle);

/* The starter engages, or lets go. */
void sim_engine_engage(struct sim_engine *engine, bool engaged);

/* It catches, or is switched off. */
void sim_engine_fire(struct sim_engine *engine, bool firing);

/*
 * Goes on by `seconds` (0.25 ms at most while it is engaged). The starter is fed by `source_volts`
 * behind `source_ohms`.
 */
void sim_engine_step(struct sim_engine *engine, double source_volts, double source_ohms,
                     double seconds);

/* True when nothing moves and no current flows. */
bool sim_engine_at_rest(const struct sim_engine *engine);

#endif
