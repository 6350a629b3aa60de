// SPDX-License-Identifier: Apache-2.0
/*
 * difference.c - one lead against another, sample by sample.
 */
#include "difference.h"

#include <math.h>

struct scale difference_scale(void) {
    return scale_line(DIFFERENCE_VOLTS, 0.0);
}

size_t difference_return(const struct vehicle *vehicle, size_t channel) {
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        const struct vehicle_sensor *sensor = &vehicle->sensors[i];
        if ((sensor->feed == channel || sensor->signal == channel) && sensor->ret != CHANNEL_NONE &&
            vehicle->channels[sensor->ret].stream == vehicle->channels[channel].stream)
            return sensor->ret;
    }
    return CHANNEL_NONE;
}

int32_t difference_counts(double volts) {
    double counts = volts / DIFFERENCE_VOLTS;
    if (!(counts > -2e9))
        return -2000000000;
    return counts < 2e9 ? (int32_t)lrint(counts) : 2000000000;
}

void difference_make(const struct vehicle *vehicle, const struct record_run *run, size_t channel,
                     size_t from, size_t first, size_t count, int32_t *difference) {
    const struct vehicle_channel *of = &vehicle->channels[channel];
    const int32_t *counts = run->counts[of->input] + first;
    if (from == CHANNEL_NONE) {
        for (size_t i = 0; i < count; i++)
            difference[i] = difference_counts(scale_value(&of->scale, counts[i]));
        return;
    }
    const struct vehicle_channel *against = &vehicle->channels[from];
    const int32_t *zero = run->counts[against->input] + first;
    for (size_t i = 0; i < count; i++)
        difference[i] = difference_counts(scale_value(&of->scale, counts[i]) -
                                          scale_value(&against->scale, zero[i]));
}
