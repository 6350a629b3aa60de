// SPDX-License-Identifier: Apache-2.0
/*
 * sheet_helper.h - a record drawn by hand for the tests: leads as volts, read back as counts.
 *
 * Nothing here comes from the project's own simulator: shapes are drawn from published profiles,
 * recordings of real engines, and simple arithmetic.
 */
#ifndef CRANKTRAP_TESTS_SHEET_HELPER_H
#define CRANKTRAP_TESTS_SHEET_HELPER_H

#include "record.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SHEET_CHANNELS 12
#define SHEET_SENSORS  4
#define SHEET_LOSSES   8

struct sheet {
    double rate_hz, from_s;
    size_t scans;
    struct vehicle vehicle;
    struct vehicle_channel channels[SHEET_CHANNELS];
    struct vehicle_sensor sensors[SHEET_SENSORS];
    double *values[SHEET_CHANNELS];
    double noise[SHEET_CHANNELS];    /* standard deviation, channel's unit */
    int32_t *counts[SHEET_CHANNELS]; /* made by sheet_record() */
    size_t run_scans;                /* length of a run */
    size_t loss_count;
    struct record_loss losses[SHEET_LOSSES];
    size_t next_scan; /* reading */
    size_t passes;    /* seeks so far */
    int fail_after;   /* > 0: next() fails with -EIO after so many runs */
    const int32_t *pointers[SHEET_CHANNELS];
};

/* An empty record of one board; ends the test program where memory is short. */
struct sheet *sheet_new(double rate_hz, double from_s, double seconds, double system_volts);
void sheet_free(struct sheet *sheet);

/* Adds a lead at 0, 12 bits over `full_scale` volts from `lowest` up; its index is returned. */
size_t sheet_channel(struct sheet *sheet, const char *name, enum role role, double lowest,
                     double full_scale);

/* Adds a sensor of three leads (CHANNEL_NONE allowed); its index. */
size_t sheet_sensor(struct sheet *sheet, const char *name, enum sensor_kind kind, size_t feed,
                    size_t ret, size_t signal);

size_t sheet_scan(const struct sheet *sheet, double at_s); /* first scan at or after */
void sheet_hold(struct sheet *sheet, size_t channel, double from_s, double to_s, double value);
void sheet_ramp(struct sheet *sheet, size_t channel, double from_s, double to_s, double from,
                double to);
void sheet_add_sine(struct sheet *sheet, size_t channel, double from_s, double to_s, double peak,
                    double hertz);

/* A starting profile of the shape that the standards share. */
struct start_profile {
    double rest, fall_s, lowest, hold_s, ramp_s, plateau, ripple_peak, plateau_s, rise_s;
};
/* Draws it from `at_s` on (the fall's start); returns when the rise begins. */
double sheet_start(struct sheet *sheet, size_t channel, double at_s,
                   const struct start_profile *profile);

/* A square wave from a wheel of `places` with `missing`, at `rpm` of the wheel, duty 1/2. */
void sheet_wheel(struct sheet *sheet, size_t channel, double from_s, double to_s, unsigned places,
                 unsigned missing, double rpm, double low, double high);

/* Marks scans as lost: they do not come, and the run behind is `after_loss`. */
void sheet_lose(struct sheet *sheet, double from_s, double to_s);

/* Turns values into counts (noise added, rails applied) and gives the record. */
struct record sheet_record(struct sheet *sheet);

/* Pseudo-random numbers of the standard normal distribution; the same ones every time. */
double sheet_random(uint64_t *state);

#endif
