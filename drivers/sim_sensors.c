// SPDX-License-Identifier: Apache-2.0
/*
 * sim_sensors.c - the simulated crank and cam sensors.
 */
#include "sim_sensors.h"

#include <math.h>

#define NOMINAL_VOLTS    5.0
#define DROP_OUT_VOLTS   0.6    /* the regulator needs so much above its output */
#define GROUND_OHMS      1e-4   /* of the engine's strap: the starter's current lifts all returns */
#define SENSOR_DROP      0.010  /* of a good return */
#define HALL_LOW_VOLTS   0.125  /* HAL115 datasheet p.4: typ. 125 mV at 12.5 mA */
#define HALL_LEAST_VOLTS 3.8    /* with less feed its output stays open */
#define PULL_UP_DROP     0.02   /* leakage through the pull-up */
#define ASLEEP_VOLTS     0.02   /* of a floating signal */
#define OPEN_FEED_VOLTS  0.3    /* what leaks back into a feed that is cut off */
#define FEED_RISE_S      0.0005 /* time constants of the wires with their capacitors */
#define FEED_FALL_S      0.003
#define RETURN_S         0.0005
#define LOGIC_LOW_VOLTS  0.9 /* the control unit takes less for a low */

void sim_sensors_init(struct sim_sensors *sensors, const struct sim_wheel *wheel) {
    *sensors = (struct sim_sensors){.wheel = *wheel};
}

void sim_sensors_break(struct sim_sensors *sensors, enum sim_fault_kind fault, uint64_t seed) {
    bool bad = fault != SIM_FAULT_NONE && fault != SIM_FAULT_BATTERY_LOW;
    sensors->fault = fault;
    sensors->random = sim_random_new(seed, 1);
    sim_contact_init(&sensors->contact, bad, seed);
}

static double approach(double value, double aim, double constant_s, double seconds) {
    return value + (aim - value) * seconds / (constant_s + seconds);
}

static bool open_in(const struct sim_sensors *sensors, enum sim_fault_kind wire) {
    return sensors->fault == wire && sensors->contact.open;
}

void sim_sensors_step(struct sim_sensors *sensors, double supply_volts, bool shaking, double amps,
                      double seconds) {
    sim_contact_step(&sensors->contact, shaking, seconds);
    double reference = fmax(fmin(NOMINAL_VOLTS, supply_volts - DROP_OUT_VOLTS), 0.0);
    double rise_s = reference > sensors->reference_volts ? FEED_RISE_S : FEED_FALL_S;
    sensors->reference_volts = approach(sensors->reference_volts, reference, rise_s, seconds);

    double ground = GROUND_OHMS * amps;
    double feed = sensors->reference_volts + ground;
    if (open_in(sensors, SIM_FAULT_FEED_COLLAPSE))
        feed = fmin(feed, OPEN_FEED_VOLTS);
    rise_s = feed > sensors->feed_volts ? FEED_RISE_S : FEED_FALL_S;
    sensors->feed_volts = approach(sensors->feed_volts, feed, rise_s, seconds);

    double ret = ground + (reference > 0.0 ? SENSOR_DROP : 0.0);
    if (open_in(sensors, SIM_FAULT_RETURN_RISE)) {
        sensors->film_s -= seconds;
        if (sensors->film_s <= 0.0) {
            sensors->film_volts = sim_random_between(&sensors->random, 0.85, 1.1);
            sensors->film_s = sim_random_between(&sensors->random, 0.01, 0.06);
        }
        ret += sensors->film_volts;
    }
    sensors->return_volts = approach(sensors->return_volts, ret, RETURN_S, seconds);
}

/* An output against `low`, pulled up to the control unit's reference. */
static double output(const struct sim_sensors *sensors, bool conducts, double low) {
    double high = sensors->reference_volts - PULL_UP_DROP;
    if (high < ASLEEP_VOLTS)
        return ASLEEP_VOLTS;
    return conducts ? fmin(low, high) : high;
}

struct sim_sensor_volts sim_sensors_volts(const struct sim_sensors *sensors, double angle) {
    bool fed = sensors->feed_volts - sensors->return_volts >= HALL_LEAST_VOLTS;
    bool crank =
        fed && !open_in(sensors, SIM_FAULT_SIGNAL_LOST) && sim_wheel_tooth(&sensors->wheel, angle);
    bool cam = sensors->reference_volts >= HALL_LEAST_VOLTS && sim_wheel_cam_tooth(angle);
    return (struct sim_sensor_volts){
        .feed = sensors->feed_volts,
        .ret = sensors->return_volts,
        .crank = output(sensors, crank, sensors->return_volts + HALL_LOW_VOLTS),
        .cam = output(sensors, cam, SENSOR_DROP + HALL_LOW_VOLTS),
    };
}

bool sim_sensors_usable(const struct sim_sensors *sensors) {
    return sensors->feed_volts - sensors->return_volts >= HALL_LEAST_VOLTS &&
           !open_in(sensors, SIM_FAULT_SIGNAL_LOST) &&
           sensors->return_volts + HALL_LOW_VOLTS < LOGIC_LOW_VOLTS;
}

bool sim_sensors_at_rest(const struct sim_sensors *sensors) {
    return sensors->feed_volts < 1e-4 && fabs(sensors->return_volts) < 1e-4;
}
