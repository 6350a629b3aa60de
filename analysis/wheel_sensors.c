// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_sensors.c - hands each sensor's pulses to a track.
 */
#include "wheel_sensors.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

static int follow(const struct window *window, const struct vehicle_sensor *sensor,
                  const struct pulses *pulses, struct wheel_track **track) {
    struct wheel_signal signal = {
        .period_s = pulses_period_s(pulses),
        .samples_per_state = window->limits->samples_per_state,
        .from_s = window->from_s,
        .to_s = fmin(window->to_s, pulses_until_s(pulses)),
        .engaged_s = window->engaged_s,
        .released_s = window->released_s,
        .running_speed = window->limits->running_speed,
        .kind = sensor->kind,
        .shaft = sensor->shaft,
        .wheel = sensor->wheel,
    };
    signal.pulses = pulses_list(pulses, &signal.count);
    signal.holes = pulses_holes(pulses, &signal.hole_count);
    return wheel_track_new(&signal, track);
}

int wheel_sensors_follow(const struct window *window, struct pulses *const *pulses,
                         struct wheel_track ***tracks) {
    const struct vehicle *vehicle = window->vehicle;
    struct wheel_track **made = calloc(vehicle->sensor_count + 1, sizeof(struct wheel_track *));
    if (made == NULL)
        return -ENOMEM;
    int result = 0;
    for (size_t i = 0; i < vehicle->sensor_count && result == 0; i++) {
        size_t channel = vehicle->sensors[i].signal;
        if (channel != CHANNEL_NONE && pulses[channel] != NULL)
            result = follow(window, &vehicle->sensors[i], pulses[channel], &made[i]);
    }
    if (result == 0)
        *tracks = made;
    else
        wheel_sensors_free(window, made);
    return result;
}

void wheel_sensors_free(const struct window *window, struct wheel_track **tracks) {
    for (size_t i = 0; tracks != NULL && i < window->vehicle->sensor_count; i++)
        wheel_track_free(tracks[i]);
    free(tracks);
}

bool wheel_sensors_rpm(const struct window *window, struct wheel_track *const *tracks, double *rpm,
                       double *slowest, double *fastest, size_t *channel) {
    const struct vehicle *vehicle = window->vehicle;
    for (int pass = 0; pass < 2; pass++) {
        for (size_t i = 0; i < vehicle->sensor_count; i++) {
            bool crank = vehicle->sensors[i].shaft == SHAFT_CRANK; /* crank sensors first */
            if (crank != (pass == 0) || tracks[i] == NULL || !tracks[i]->has_speed)
                continue;
            *rpm = tracks[i]->rpm;
            *slowest = tracks[i]->rpm_low;
            *fastest = tracks[i]->rpm_high;
            *channel = vehicle->sensors[i].signal;
            return true;
        }
    }
    return false;
}
