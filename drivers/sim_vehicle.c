// SPDX-License-Identifier: Apache-2.0
/*
 * sim_vehicle.c - the simulated vehicle through its night.
 *
 * Whether the engine catches is no entry in the schedule: the control unit needs a usable crank
 * signal, turning and enough voltage without a break, and a fault takes one of these away.
 */
#include "sim_vehicle.h"

#include <math.h>

#define ENGAGED_STEP_S    0.00025
#define TURNING_STEP_S    0.0005
#define SETTLE_S          8.0 /* after the key is off, until it counts as asleep */
#define RELAY_HOLD_S      0.4 /* the control unit stays awake so long after the key is off */
#define PUMP_PRIME_S      2.0
#define CATCH_LEAST_SPEED 8.0 /* rad/s, through the compressions: some 75 rpm */
#define CATCH_LEAST_VOLTS 8.0
#define CHARGE_RISE_S     0.3
#define CHARGE_FALL_S     0.05
#define CHARGING_SPEED    55.0 /* rad/s: below it the alternator gives nothing */
#define IGNITION_DROP     0.15 /* in switches and fuses */
#define SUPPLY_DROP       0.2
#define WEAK_OHMS         1.5 /* of battery-low, as factors of a good battery's */
#define WEAK_POLAR_OHMS   3.2

/* Amperes of everything but the starter. */
#define ASLEEP_AMPS  0.03
#define DOOR_AMPS    4.0
#define KEY_ON_AMPS  13.0
#define PUMP_AMPS    6.0
#define CRANK_AMPS   12.0 /* with the blower and the lamps switched off meanwhile */
#define RUNNING_AMPS 32.0

void sim_vehicle_init(struct sim_vehicle *vehicle, const struct sim_schedule *schedule,
                      unsigned cylinders, const struct sim_wheel *wheel) {
    *vehicle = (struct sim_vehicle){.schedule = *schedule, .stage = SIM_ASLEEP};
    struct sim_random random = sim_random_new(schedule->seed, UINT64_MAX);
    sim_battery_init(&vehicle->battery, schedule->seed);
    sim_engine_init(&vehicle->engine, cylinders, sim_random_between(&random, 0.0, 4.0 * M_PI));
    sim_sensors_init(&vehicle->sensors, wheel);
    bool more = sim_schedule_next(&vehicle->schedule, &vehicle->attempt);
    vehicle->until_s = more ? vehicle->attempt.door_s : HUGE_VAL;
    vehicle->load_amps = ASLEEP_AMPS;
    vehicle->battery_volts = sim_battery_volts(&vehicle->battery, ASLEEP_AMPS);
}

void sim_vehicle_set_clock(struct sim_vehicle *vehicle, double at_s) {
    vehicle->at_s = at_s;
    sim_battery_drift(&vehicle->battery, at_s);
}

static void enter(struct sim_vehicle *vehicle, enum sim_stage stage, double until_s) {
    vehicle->stage = stage;
    vehicle->stage_s = 0.0;
    vehicle->until_s = until_s;
}

static void turn_key_on(struct sim_vehicle *vehicle) {
    const struct sim_attempt *attempt = &vehicle->attempt;
    bool weak = attempt->fault == SIM_FAULT_BATTERY_LOW;
    sim_battery_weaken(&vehicle->battery, weak ? WEAK_OHMS : 1.0, weak ? WEAK_POLAR_OHMS : 1.0);
    sim_sensors_break(&vehicle->sensors, attempt->fault, attempt->fault_seed);
    vehicle->engine.friction = attempt->friction;
    vehicle->engine.idle_speed = attempt->idle_rpm * M_PI / 30.0;
    vehicle->usable_s = 0.0;
    enter(vehicle, SIM_KEY_ON, attempt->engage_s);
}

static void fall_asleep(struct sim_vehicle *vehicle) {
    bool more = sim_schedule_next(&vehicle->schedule, &vehicle->attempt);
    sim_battery_weaken(&vehicle->battery, 1.0, 1.0);
    enter(vehicle, SIM_ASLEEP, more ? vehicle->attempt.door_s : HUGE_VAL);
}

/* The stage has run out: the driver does the next thing. */
static void next_stage(struct sim_vehicle *vehicle) {
    const struct sim_attempt *attempt = &vehicle->attempt;
    switch (vehicle->stage) {
    case SIM_ASLEEP:
        enter(vehicle, SIM_DOOR_OPEN, attempt->key_on_s);
        break;
    case SIM_DOOR_OPEN:
        turn_key_on(vehicle);
        break;
    case SIM_KEY_ON:
        sim_engine_engage(&vehicle->engine, true);
        enter(vehicle, SIM_CRANKING, vehicle->at_s + attempt->give_up_s);
        break;
    case SIM_CRANKING:
        sim_engine_engage(&vehicle->engine, false);
        enter(vehicle, SIM_LET_GO,
              vehicle->at_s + (vehicle->engine.firing ? attempt->run_s : attempt->wait_s));
        break;
    case SIM_LET_GO:
        sim_engine_fire(&vehicle->engine, false);
        enter(vehicle, SIM_KEY_OFF, vehicle->at_s + SETTLE_S);
        break;
    case SIM_KEY_OFF:
        fall_asleep(vehicle);
        break;
    }
}

static bool key_is_on(const struct sim_vehicle *vehicle) {
    return vehicle->stage == SIM_KEY_ON || vehicle->stage == SIM_CRANKING ||
           vehicle->stage == SIM_LET_GO;
}

static double loads(const struct sim_vehicle *vehicle) {
    switch (vehicle->stage) {
    case SIM_DOOR_OPEN:
        return DOOR_AMPS;
    case SIM_KEY_ON:
        return KEY_ON_AMPS + (vehicle->stage_s < PUMP_PRIME_S ? PUMP_AMPS : 0.0);
    case SIM_CRANKING:
        return CRANK_AMPS;
    case SIM_LET_GO:
        return vehicle->engine.firing ? RUNNING_AMPS : KEY_ON_AMPS;
    case SIM_KEY_OFF:
        return DOOR_AMPS;
    case SIM_ASLEEP:
        break;
    }
    return ASLEEP_AMPS;
}

static void step_electrics(struct sim_vehicle *vehicle, double seconds) {
    const struct sim_engine *engine = &vehicle->engine;
    bool charging = vehicle->engine.firing && engine->firing_s > vehicle->attempt.alternator_s &&
                    engine->speed > CHARGING_SPEED;
    double constant_s = charging ? CHARGE_RISE_S : CHARGE_FALL_S;
    double aim = charging ? 1.0 : 0.0;
    vehicle->charge += (aim - vehicle->charge) * seconds / (constant_s + seconds);

    vehicle->load_amps = loads(vehicle);
    double amps = vehicle->load_amps + engine->amps;
    sim_battery_step(&vehicle->battery, amps, vehicle->charge, seconds);
    double own = sim_battery_volts(&vehicle->battery, amps);
    vehicle->battery_volts = own + vehicle->charge * (vehicle->attempt.regulated_volts - own);

    bool on = key_is_on(vehicle);
    bool awake = on || (vehicle->stage == SIM_KEY_OFF && vehicle->stage_s < RELAY_HOLD_S);
    vehicle->ignition_volts = on ? vehicle->battery_volts - IGNITION_DROP : 0.0;
    vehicle->supply_volts = awake ? vehicle->battery_volts - SUPPLY_DROP : 0.0;
}

/* Lets the engine catch once the control unit has had all it needs for long enough. */
static void try_to_catch(struct sim_vehicle *vehicle, double seconds) {
    bool usable = sim_sensors_usable(&vehicle->sensors) &&
                  vehicle->engine.speed > CATCH_LEAST_SPEED &&
                  vehicle->battery_volts > CATCH_LEAST_VOLTS;
    vehicle->usable_s = usable ? vehicle->usable_s + seconds : 0.0;
    if (vehicle->usable_s < vehicle->attempt.catch_after_s)
        return;
    sim_engine_fire(&vehicle->engine, true);
    vehicle->until_s = vehicle->at_s + vehicle->attempt.let_go_s;
}

static void step(struct sim_vehicle *vehicle, double seconds) {
    vehicle->at_s += seconds;
    vehicle->stage_s += seconds;
    if (vehicle->at_s >= vehicle->until_s)
        next_stage(vehicle);
    double source =
        sim_battery_source(&vehicle->battery) - vehicle->battery.ohms * vehicle->load_amps;
    sim_engine_step(&vehicle->engine, source, vehicle->battery.ohms, seconds);
    step_electrics(vehicle, seconds);
    bool shaking = vehicle->engine.engaged && vehicle->engine.speed > 0.0;
    sim_sensors_step(&vehicle->sensors, vehicle->supply_volts, shaking, vehicle->engine.amps,
                     seconds);
    if (vehicle->stage == SIM_CRANKING && !vehicle->engine.firing)
        try_to_catch(vehicle, seconds);
}

void sim_vehicle_advance(struct sim_vehicle *vehicle, double seconds) {
    if (seconds <= 0.0)
        return;
    bool cranking = vehicle->stage == SIM_CRANKING || vehicle->stage == SIM_KEY_ON;
    double longest_s = cranking ? ENGAGED_STEP_S : TURNING_STEP_S;
    /* A scan period that is a whole number of steps is not to become one more by rounding. */
    double steps = fmax(ceil(seconds / longest_s - 1e-6), 1.0);
    for (unsigned i = 0; i < (unsigned)steps; i++)
        step(vehicle, seconds / steps);
}

bool sim_vehicle_quiet(const struct sim_vehicle *vehicle, double seconds) {
    if (vehicle->stage != SIM_ASLEEP && vehicle->stage != SIM_DOOR_OPEN)
        return false;
    double settled = vehicle->battery.polar_ohms * vehicle->load_amps;
    return vehicle->at_s + seconds < vehicle->until_s && vehicle->charge < 1e-4 &&
           fabs(vehicle->battery.polar_volts - settled) < 1e-3 &&
           sim_engine_at_rest(&vehicle->engine) && sim_sensors_at_rest(&vehicle->sensors);
}

void sim_vehicle_rest(struct sim_vehicle *vehicle, double seconds) {
    vehicle->at_s += seconds;
    vehicle->stage_s += seconds;
    sim_battery_step(&vehicle->battery, vehicle->load_amps, 0.0, seconds);
    vehicle->battery_volts = sim_battery_volts(&vehicle->battery, vehicle->load_amps);
}

void sim_vehicle_volts(const struct sim_vehicle *vehicle, double volts[SIM_INPUT_COUNT]) {
    struct sim_sensor_volts sensor = sim_sensors_volts(&vehicle->sensors, vehicle->engine.angle);
    volts[SIM_INPUT_BATTERY] = vehicle->battery_volts / SIM_DIVIDER;
    volts[SIM_INPUT_CRANK_FEED] = sensor.feed;
    volts[SIM_INPUT_CRANK_RETURN] = sensor.ret;
    volts[SIM_INPUT_CRANK_SIGNAL] = sensor.crank;
    volts[SIM_INPUT_CAM_SIGNAL] = sensor.cam;
    volts[SIM_INPUT_STARTER_CURRENT] = vehicle->engine.amps / SIM_AMPS_PER_VOLT;
    volts[SIM_INPUT_IGNITION] = vehicle->ignition_volts / SIM_DIVIDER;
    volts[SIM_INPUT_SUPPLY] = vehicle->supply_volts / SIM_DIVIDER;
}
