// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_sensors.h - the wheels of all sensors of a window.
 */
#ifndef CRANKTRAP_WHEEL_SENSORS_H
#define CRANKTRAP_WHEEL_SENSORS_H

#include "wheel_track.h"

/*
 * A track for each sensor with a signal (NULL for the others), in the order of the vehicle's
 * sensors; to be freed by wheel_sensors_free(). `pulses` has one per channel. 0 or -ENOMEM.
 */
int wheel_sensors_follow(const struct window *window, struct pulses *const *pulses,
                         struct wheel_track ***tracks);

/* Frees; takes NULL. */
void wheel_sensors_free(const struct window *window, struct wheel_track **tracks);

/*
 * Crank speed while the starter turned from the first sensor that gives it, those of the crank
 * first: of the median turn, the slowest and the fastest, rpm; `*channel` is its signal. False:
 * none does; the outputs are then untouched.
 */
bool wheel_sensors_rpm(const struct window *window, struct wheel_track *const *tracks, double *rpm,
                       double *slowest, double *fastest, size_t *channel);

#endif
