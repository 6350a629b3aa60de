// SPDX-License-Identifier: Apache-2.0
/*
 * sim_sensors.h - crank and cam hall sensors with their wires, and the fault in one of them.
 *
 * Each sensor has a 5 V feed of its own from the control unit and an open-collector output that
 * the control unit pulls up to its 5 V. So a crank sensor whose feed is gone cannot pull down: its
 * signal stands still at 5 V, while the cam's goes on.
 */
#ifndef CRANKTRAP_SIM_SENSORS_H
#define CRANKTRAP_SIM_SENSORS_H

#include "sim_fault.h"
#include "sim_wheel.h"

#include <stdbool.h>
#include <stdint.h>

struct sim_sensors {
    struct sim_wheel wheel;
    enum sim_fault_kind fault;  /* whose contact it is */
    struct sim_contact contact; /* the bad one, if any */
    struct sim_random random;   /* of the poor return's resistance */
    double reference_volts;     /* the control unit's 5 V now; 0 when it sleeps */
    double feed_volts;          /* at the crank sensor, against the battery's negative post */
    double return_volts;
    double film_volts; /* across the poor return */
    double film_s;     /* until it changes */
};

/* Volts on the three wires of the crank sensor, and the cam's signal. */
struct sim_sensor_volts {
    double feed, ret, crank, cam;
};

/* Whole wires and a control unit that sleeps. `wheel` is copied. */
void sim_sensors_init(struct sim_sensors *sensors, const struct sim_wheel *wheel);

/* Begins an attempt with this fault (or none) in the wires. */
void sim_sensors_break(struct sim_sensors *sensors, enum sim_fault_kind fault, uint64_t seed);

/*
 * Goes on by `seconds`: `supply_volts` is what the control unit is fed with (0: asleep), `shaking`
 * whether the starter turns, with `amps`.
 */
void sim_sensors_step(struct sim_sensors *sensors, double supply_volts, bool shaking, double amps,
                      double seconds);

/* What stands on the wires with the crank at `angle`. */
struct sim_sensor_volts sim_sensors_volts(const struct sim_sensors *sensors, double angle);

/* True while the control unit can make use of the crank signal. */
bool sim_sensors_usable(const struct sim_sensors *sensors);

/* True while nothing changes. */
bool sim_sensors_at_rest(const struct sim_sensors *sensors);

#endif
