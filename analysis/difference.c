// SPDX-License-Identifier: Apache-2.0
/*
 * difference.c - one lead against another, sample by sample.
 */
#include "difference.h"

#include <math.h>
#include <stdbool.h>

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

/* One straight line, or none (a calibration with more than two points): volts = a count + b. */
struct line {
    bool straight;
    double a, b;
};

static struct line line_of(const struct scale *scale) {
    double a = (scale->values[1] - scale->values[0]) / (scale->counts[1] - scale->counts[0]);
    return (struct line){scale->points == 2, a, scale->values[0] - a * scale->counts[0]};
}

/* Rounded as difference_counts() does, but for halves; what almost every lead goes through. */
static int32_t to_counts(double counts) {
    double rounded = counts < 0.0 ? counts - 0.5 : counts + 0.5;
    return rounded > 2e9 ? 2000000000 : rounded < -2e9 ? -2000000000 : (int32_t)rounded;
}

static void of_lines(struct line of, struct line against, const int32_t *counts,
                     const int32_t *zero, size_t count, int32_t *difference) {
    double slope = of.a / DIFFERENCE_VOLTS;
    double zero_slope = against.a / DIFFERENCE_VOLTS;
    double offset = (of.b - against.b) / DIFFERENCE_VOLTS;
    for (size_t i = 0; i < count; i++)
        difference[i] = to_counts(slope * counts[i] - zero_slope * zero[i] + offset);
}

static void of_line(struct line of, const int32_t *counts, size_t count, int32_t *difference) {
    double slope = of.a / DIFFERENCE_VOLTS;
    double offset = of.b / DIFFERENCE_VOLTS;
    for (size_t i = 0; i < count; i++)
        difference[i] = to_counts(slope * counts[i] + offset);
}

void difference_make(const struct vehicle *vehicle, const struct record_run *run, size_t channel,
                     size_t from, size_t first, size_t count, int32_t *difference) {
    const struct vehicle_channel *of = &vehicle->channels[channel];
    const int32_t *counts = run->counts[of->input] + first;
    struct line line = line_of(&of->scale);
    if (from == CHANNEL_NONE && line.straight) {
        of_line(line, counts, count, difference);
        return;
    }
    if (from == CHANNEL_NONE) {
        for (size_t i = 0; i < count; i++)
            difference[i] = difference_counts(scale_value(&of->scale, counts[i]));
        return;
    }
    const struct vehicle_channel *against = &vehicle->channels[from];
    const int32_t *zero = run->counts[against->input] + first;
    struct line zero_line = line_of(&against->scale);
    if (line.straight && zero_line.straight) {
        of_lines(line, zero_line, counts, zero, count, difference);
        return;
    }
    for (size_t i = 0; i < count; i++)
        difference[i] = difference_counts(scale_value(&of->scale, counts[i]) -
                                          scale_value(&against->scale, zero[i]));
}
