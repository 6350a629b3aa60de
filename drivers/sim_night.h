// SPDX-License-Identifier: Apache-2.0
/*
 * sim_night.h - the scans of a simulated night, one after the other.
 *
 * Scans are made a tenth of a second at a time and handed out in any portions, so how many are
 * asked for at once changes nothing in them.
 */
#ifndef CRANKTRAP_SIM_NIGHT_H
#define CRANKTRAP_SIM_NIGHT_H

#include "sim_converter.h"
#include "sim_schedule.h"
#include "sim_wheel.h"

#include <stddef.h>
#include <stdint.h>

struct sim_night_plan {
    struct sim_schedule schedule;
    struct sim_wheel wheel;
    unsigned cylinders;
    double rate_hz;
    double skew_s; /* from one input to the next; all of them fit into a scan */
    size_t inputs; /* 1 .. SIM_INPUTS */
    unsigned bits;
};

struct sim_night;

/* 0 and `*night`, or -ENOMEM. */
int sim_night_new(const struct sim_night_plan *plan, struct sim_night **night);

/* Frees; takes NULL. */
void sim_night_free(struct sim_night *night);

/*
 * The next scans, 1 .. `most` (which is not 0) of them: counts[scan * inputs + input]. They stay
 * where they are until the next call.
 */
size_t sim_night_scans(struct sim_night *night, size_t most, const int32_t **counts);

/* Scans handed out so far. */
uint64_t sim_night_position(const struct sim_night *night);

/* The converter, for whoever must know its scale. */
const struct sim_converter *sim_night_converter(const struct sim_night *night);

#endif
