// SPDX-License-Identifier: Apache-2.0
/*
 * sim_engine.c - the simulated starter and engine.
 *
 * Starter: a permanent-magnet motor, seen at the crank: L di/dt = V - R i - K w, torque K i.
 * Engine while cranked: J dw/dt = torque - friction - compression, where compressions recur at
 * fixed crank angles, `cylinders / 2` a turn, and take as much torque as they give back.
 * With a healthy battery this settles at some 180 rpm and 160 A after an inrush of 700 to 800 A.
 */
#include "sim_engine.h"

#include <math.h>

#define MOTOR_HENRY     1.6e-5
#define MOTOR_OHMS      0.010 /* with its cables */
#define MOTOR_CONSTANT  0.456 /* V s/rad = N m/A, at the crank */
#define MOTOR_INERTIA   0.3   /* kg m2, at the crank */
#define MOTOR_FREE_AMPS 70.0  /* without load */
#define ENGINE_INERTIA  0.5   /* kg m2 */
#define DRY_FRICTION    45.0  /* N m */
#define WET_FRICTION    1.5   /* N m s/rad */
#define COMPRESSION     65.0  /* N m, amplitude of the first harmonic */
#define SECOND_HARMONIC 0.25  /* of the first */
#define RUN_UP_S        0.3   /* time constants of the running engine's speed */
#define FLARE_S         1.2
#define FLARE           0.25  /* of the idle speed, above it after the catch */
#define FIRING_RIPPLE   0.015 /* of the speed, at the firing frequency */
#define ARC_S           0.001 /* the current dies within so long when the contacts open */

void sim_engine_init(struct sim_engine *engine, unsigned cylinders, double angle) {
    *engine = (struct sim_engine){
        .cylinders = cylinders, .friction = 1.0, .idle_speed = 90.0, .angle = angle};
}

void sim_engine_engage(struct sim_engine *engine, bool engaged) {
    engine->engaged = engaged;
    engine->motor_speed = engine->firing ? engine->motor_speed : engine->speed;
}

void sim_engine_fire(struct sim_engine *engine, bool firing) {
    engine->firing = firing;
    engine->firing_s = 0.0;
}

/* Torque that the compressions take, N m: its mean over a turn is zero. */
static double compression(const struct sim_engine *engine) {
    double phase = engine->angle * engine->cylinders / 2.0;
    double sine = sin(phase);
    double cosine = cos(phase);
    return COMPRESSION * (sine + SECOND_HARMONIC * 2.0 * sine * cosine);
}

/* Backward Euler, so that no step is too long for it. */
static void step_current(struct sim_engine *engine, double volts, double ohms, double seconds) {
    if (!engine->engaged) {
        engine->amps *= ARC_S / (ARC_S + seconds);
        if (engine->amps < 0.01)
            engine->amps = 0.0;
        return;
    }
    double drive = volts - MOTOR_CONSTANT * engine->motor_speed;
    double gain = seconds / MOTOR_HENRY;
    engine->amps = (engine->amps + gain * drive) / (1.0 + gain * (ohms + MOTOR_OHMS));
}

static void step_cranked(struct sim_engine *engine, double seconds) {
    double friction = (DRY_FRICTION + WET_FRICTION * engine->speed) * engine->friction;
    double torque = -friction - compression(engine);
    double inertia = ENGINE_INERTIA;
    if (engine->engaged) {
        torque += MOTOR_CONSTANT * engine->amps;
        inertia += MOTOR_INERTIA;
    }
    /* It never turns backwards: the rings and the starter's clutch hold it. */
    engine->speed = fmax(engine->speed + torque / inertia * seconds, 0.0);
    engine->motor_speed = engine->speed;
}

static void step_firing(struct sim_engine *engine, double seconds) {
    engine->firing_s += seconds;
    double flare = FLARE * FLARE_S / (FLARE_S + engine->firing_s);
    double phase = engine->angle * engine->cylinders / 2.0;
    double aim = engine->idle_speed * (1.0 + flare);
    engine->speed += (aim - engine->speed) * seconds / (RUN_UP_S + seconds);
    double ripple = FIRING_RIPPLE * engine->speed * cos(phase);
    engine->speed += ripple * engine->speed * engine->cylinders / 2.0 * seconds;
    if (engine->engaged) /* the clutch overruns: the motor carries itself alone */
        engine->motor_speed +=
            MOTOR_CONSTANT * (engine->amps - MOTOR_FREE_AMPS) / MOTOR_INERTIA * seconds;
}

void sim_engine_step(struct sim_engine *engine, double source_volts, double source_ohms,
                     double seconds) {
    step_current(engine, source_volts, source_ohms, seconds);
    if (engine->firing)
        step_firing(engine, seconds);
    else if (engine->engaged || engine->speed > 0.0)
        step_cranked(engine, seconds);
    engine->angle += engine->speed * seconds;
    if (engine->angle >= 4.0 * M_PI)
        engine->angle = fmod(engine->angle, 4.0 * M_PI);
}

bool sim_engine_at_rest(const struct sim_engine *engine) {
    return !engine->engaged && engine->speed <= 0.0 && engine->amps <= 0.0;
}
