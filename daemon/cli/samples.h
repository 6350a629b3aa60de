// SPDX-License-Identifier: Apache-2.0
/*
 * samples.h - a stretch of raw samples out of the running daemon, and what it is worth.
 */
#ifndef CRANKTRAP_SAMPLES_H
#define CRANKTRAP_SAMPLES_H

#include "calibration.h"
#include "command.h"
#include "vehicle.h"

#include <stddef.h>
#include <stdint.h>

struct samples_lead {
    char *name, *role, *unit;
    size_t input;
    unsigned bits;
    int32_t rail_low, rail_high; /* rail_low > rail_high: unknown */
    struct scale scale;          /* as it is used now, calibration in it */
    double *counts;              /* one per scan */
};

struct samples {
    size_t scans;
    double period_s; /* between scans, by the clock */
    size_t lead_count;
    struct samples_lead *leads;
};

/*
 * The next `milliseconds` of one channel, or (`board` not NULL) of all channels of a board; no loss
 * is inside. 0, or a negative errno with what went wrong said.
 */
int samples_take(const struct command_line *line, const char *board, const char *channel,
                 unsigned milliseconds, struct samples *samples);

/* Frees what it holds; an empty one is fine. */
void samples_clear(struct samples *samples);

/* Mean, noise, drift and extremes of a lead, counts. */
void samples_reading(const struct samples *samples, const struct samples_lead *lead,
                     struct calibration_reading *reading);

/* What a count is worth around `counts`, the lead's unit. */
double samples_per_count(const struct samples_lead *lead, double counts);

#endif
