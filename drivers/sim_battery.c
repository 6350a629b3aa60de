// SPDX-License-Identifier: Apache-2.0
/*
 * sim_battery.c - the simulated battery.
 *
 * The resistances are chosen so that some 800 A pull it to 8 V for a moment and 160 A hold it
 * somewhat above 10 V, as a healthy battery of a van does.
 */
#include "sim_battery.h"

#include "sim_random.h"

#include <math.h>

#define REST_VOLTS       12.52
#define OHMS             0.0056
#define POLAR_OHMS       0.00875
#define POLAR_S          0.15 /* time constant of polarisation */
#define DEEP_VOLTS_PER_C 1e-4 /* surface charge taken by a coulomb */
#define SURFACE_VOLTS    0.35 /* after a long charge */
#define CHARGING_S       90.0 /* time constants of the surface charge */
#define RESTING_S        240.0

void sim_battery_init(struct sim_battery *battery, uint64_t seed) {
    struct sim_random random = sim_random_new(seed, 0);
    *battery = (struct sim_battery){.ohms = OHMS, .polar_ohms = POLAR_OHMS};
    battery->phase[0] = sim_random_between(&random, 0.0, 2.0 * M_PI);
    battery->phase[1] = sim_random_between(&random, 0.0, 2.0 * M_PI);
    sim_battery_drift(battery, 0.0);
}

void sim_battery_drift(struct sim_battery *battery, double at_s) {
    double by_night = 0.03 * sin(2.0 * M_PI * at_s / 28800.0 + battery->phase[0]);
    double by_hour = 0.008 * sin(2.0 * M_PI * at_s / 4700.0 + battery->phase[1]);
    battery->open_volts = REST_VOLTS + by_night + by_hour;
}

void sim_battery_weaken(struct sim_battery *battery, double ohms_factor, double polar_factor) {
    battery->ohms = OHMS * ohms_factor;
    battery->polar_ohms = POLAR_OHMS * polar_factor;
}

/* The share of the way to its end that something with this time constant goes in `seconds`. */
static double share(double seconds, double constant_s) {
    return seconds / (constant_s + seconds);
}

void sim_battery_step(struct sim_battery *battery, double amps, double charge, double seconds) {
    double own_amps = amps * (1.0 - charge);
    double drop = battery->polar_ohms * own_amps;
    battery->polar_volts += (drop - battery->polar_volts) * share(seconds, POLAR_S);
    double surface = SURFACE_VOLTS * charge;
    double constant_s = charge > 0.5 ? CHARGING_S : RESTING_S;
    battery->surface_volts -= DEEP_VOLTS_PER_C * own_amps * seconds;
    battery->surface_volts += (surface - battery->surface_volts) * share(seconds, constant_s);
}

double sim_battery_source(const struct sim_battery *battery) {
    return battery->open_volts + battery->surface_volts - battery->polar_volts;
}

double sim_battery_volts(const struct sim_battery *battery, double amps) {
    return sim_battery_source(battery) - battery->ohms * amps;
}
