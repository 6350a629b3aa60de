// SPDX-License-Identifier: Apache-2.0
/*
 * sim_vehicle.h - the simulated vehicle through its night: driver, key, loads, and what couples
 * battery, engine and sensors.
 */
#ifndef CRANKTRAP_SIM_VEHICLE_H
#define CRANKTRAP_SIM_VEHICLE_H

#include "sim_battery.h"
#include "sim_engine.h"
#include "sim_schedule.h"
#include "sim_sensors.h"

#include <stdbool.h>

/* What the driver does; the vehicle goes round these. */
enum sim_stage {
    SIM_ASLEEP,
    SIM_DOOR_OPEN, /* somebody has got in: a lamp burns */
    SIM_KEY_ON,
    SIM_CRANKING,
    SIM_LET_GO, /* the key back to on: the engine runs, or it does not */
    SIM_KEY_OFF /* all runs out and settles */
};

struct sim_vehicle {
    struct sim_schedule schedule;
    struct sim_attempt attempt; /* the present or the next one */
    struct sim_battery battery;
    struct sim_engine engine;
    struct sim_sensors sensors;
    enum sim_stage stage;
    double at_s;          /* since the night began */
    double stage_s;       /* since the stage began */
    double until_s;       /* when the stage ends; HUGE_VAL: never */
    double usable_s;      /* the control unit has had all it needs for so long */
    double charge;        /* 0..1: how far the alternator carries the battery */
    double load_amps;     /* all but the starter */
    double battery_volts; /* at its posts */
    double supply_volts;  /* of the control unit, behind its relay */
    double ignition_volts;
};

/* Inputs of the board, in their order. */
enum sim_input {
    SIM_INPUT_BATTERY,
    SIM_INPUT_CRANK_FEED,
    SIM_INPUT_CRANK_RETURN,
    SIM_INPUT_CRANK_SIGNAL,
    SIM_INPUT_CAM_SIGNAL,
    SIM_INPUT_STARTER_CURRENT,
    SIM_INPUT_IGNITION,
    SIM_INPUT_SUPPLY,
    SIM_INPUT_COUNT
};
#define SIM_DIVIDER       5.7   /* before battery, ignition and supply */
#define SIM_AMPS_PER_VOLT 200.0 /* of the current clamp */

/* At rest, before the first attempt of `schedule`; `wheel` is on the crankshaft. */
void sim_vehicle_init(struct sim_vehicle *vehicle, const struct sim_schedule *schedule,
                      unsigned cylinders, const struct sim_wheel *wheel);

/* Sets the clock (it must not run off over hours) and what drifts slowly. Every tenth of a second
 * or so. */
void sim_vehicle_set_clock(struct sim_vehicle *vehicle, double at_s);

/* Goes on by `seconds`. */
void sim_vehicle_advance(struct sim_vehicle *vehicle, double seconds);

/* True when nothing but slow drift will happen within `seconds`: then one look serves them all. */
bool sim_vehicle_quiet(const struct sim_vehicle *vehicle, double seconds);

/* Goes on by `seconds` in one step; only where sim_vehicle_quiet(vehicle, seconds). */
void sim_vehicle_rest(struct sim_vehicle *vehicle, double seconds);

/* Volts at all inputs of the board now. */
void sim_vehicle_volts(const struct sim_vehicle *vehicle, double volts[SIM_INPUT_COUNT]);

#endif
