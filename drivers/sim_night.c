// SPDX-License-Identifier: Apache-2.0
/*
 * sim_night.c - the scans of a simulated night.
 */
#include "sim_night.h"

#include "sim_random.h"
#include "sim_vehicle.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define GRAIN_S    0.1  /* made at once */
#define GRAIN_MOST 4096 /* scans */

_Static_assert(SIM_INPUT_COUNT == SIM_INPUTS, "one byte of noise for each input");

struct sim_night {
    struct sim_night_plan plan;
    struct sim_vehicle vehicle;
    struct sim_converter converter;
    double period_s;
    uint64_t made;    /* scans made so far */
    size_t grain;     /* scans made at once */
    size_t handed;    /* of the present grain */
    int32_t counts[]; /* the present grain: grain * inputs */
};

int sim_night_new(const struct sim_night_plan *plan, struct sim_night **night) {
    double scans = fmin(fmax(floor(plan->rate_hz * GRAIN_S), 1.0), GRAIN_MOST);
    size_t grain = (size_t)scans;
    struct sim_night *made = malloc(sizeof *made + grain * plan->inputs * sizeof made->counts[0]);
    if (!made)
        return -ENOMEM;
    made->plan = *plan;
    made->period_s = 1.0 / plan->rate_hz;
    made->made = 0;
    made->grain = grain;
    made->handed = grain;
    sim_vehicle_init(&made->vehicle, &plan->schedule, plan->cylinders, &plan->wheel);
    struct sim_random random = sim_random_new(plan->schedule.seed, UINT64_MAX - 1);
    sim_converter_init(&made->converter, plan->bits, random.state);
    *night = made;
    return 0;
}

void sim_night_free(struct sim_night *night) {
    free(night);
}

/* All inputs of a scan at the same moment. */
static void make_scan(struct sim_night *night, uint64_t scan, int32_t *counts) {
    double volts[SIM_INPUTS];
    sim_vehicle_volts(&night->vehicle, volts);
    sim_converter_scan(&night->converter, scan, volts, night->plan.inputs, counts);
    sim_vehicle_advance(&night->vehicle, night->period_s);
}

/* One input after the other, as a converter behind a multiplexer takes them. */
static void make_skewed_scan(struct sim_night *night, uint64_t scan, int32_t *counts) {
    double volts[SIM_INPUTS];
    double now[SIM_INPUTS];
    size_t inputs = night->plan.inputs;
    double skew_s = night->plan.skew_s;
    for (size_t input = 0; input < inputs; input++) {
        sim_vehicle_volts(&night->vehicle, now);
        volts[input] = now[input];
        if (input + 1 < inputs)
            sim_vehicle_advance(&night->vehicle, skew_s);
    }
    sim_vehicle_advance(&night->vehicle, night->period_s - skew_s * (double)(inputs - 1));
    sim_converter_scan(&night->converter, scan, volts, inputs, counts);
}

static void make_grain(struct sim_night *night) {
    double grain_s = (double)night->grain * night->period_s;
    size_t inputs = night->plan.inputs;
    sim_vehicle_set_clock(&night->vehicle, (double)night->made * night->period_s);
    if (sim_vehicle_quiet(&night->vehicle, grain_s)) {
        double volts[SIM_INPUTS];
        sim_vehicle_rest(&night->vehicle, grain_s);
        sim_vehicle_volts(&night->vehicle, volts);
        sim_converter_repeat(&night->converter, night->made, night->grain, volts, inputs,
                             night->counts);
    } else {
        for (size_t i = 0; i < night->grain; i++) {
            if (night->plan.skew_s > 0.0)
                make_skewed_scan(night, night->made + i, night->counts + i * inputs);
            else
                make_scan(night, night->made + i, night->counts + i * inputs);
        }
    }
    night->made += night->grain;
    night->handed = 0;
}

size_t sim_night_scans(struct sim_night *night, size_t most, const int32_t **counts) {
    if (night->handed == night->grain)
        make_grain(night);
    size_t left = night->grain - night->handed;
    size_t scans = most < left ? most : left;
    *counts = night->counts + night->handed * night->plan.inputs;
    night->handed += scans;
    return scans;
}

uint64_t sim_night_position(const struct sim_night *night) {
    return night->made - (night->grain - night->handed);
}

const struct sim_converter *sim_night_converter(const struct sim_night *night) {
    return &night->converter;
}
