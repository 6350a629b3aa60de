// SPDX-License-Identifier: Apache-2.0
/*
 * sim_wheel.h - the toothed wheel on the simulated crank, and the single tooth on its cam.
 */
#ifndef CRANKTRAP_SIM_WHEEL_H
#define CRANKTRAP_SIM_WHEEL_H

#include <stdbool.h>

/* N places of equal pitch, M missing in a run, and another K opposite: N, N-M or N-M-K. */
struct sim_wheel {
    unsigned places;
    unsigned missing;
    unsigned missing_again;
};

/* Reads "36", "60-2", "36-2-2": at most 360 places, at least one tooth left, no run of missing
 * teeth longer than a quarter of the wheel. 0 or -EINVAL, `*wheel` then untouched. */
int sim_wheel_parse(const char *text, struct sim_wheel *wheel);

/* Whether a tooth stands before the sensor at this crank angle, radians, >= 0. */
bool sim_wheel_tooth(const struct sim_wheel *wheel, double angle);

/* The same of the cam: one tooth in two turns of the crank. */
bool sim_wheel_cam_tooth(double angle);

#endif
