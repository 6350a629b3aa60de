// SPDX-License-Identifier: Apache-2.0
/*
 * sim_night_helper.h - runs the simulated board to its end and keeps what it gave, for tests.
 */
#ifndef CRANKTRAP_SIM_NIGHT_HELPER_H
#define CRANKTRAP_SIM_NIGHT_HELPER_H

#include "board.h"

#include <stddef.h>
#include <stdint.h>

extern const struct board_driver board_driver_sim;

enum { BATTERY, FEED, RETURN, CRANK, CAM, CURRENT, IGNITION, SUPPLY };

struct night {
    struct board_description description;
    size_t inputs, scans, room;
    uint16_t *counts;
    int64_t time_ns; /* the last BOARD_NOTE_TIME */
    int result;      /* the last of fetch() */
};

/* Runs one with pace = free; `options` is "key=value key=value ...". Fails the test where open
 * refuses. */
void night_run(struct night *night, const char *options);
void night_free(struct night *night);

/* Of one input in one scan: volts of the vehicle (before the divider), or amperes. */
double night_value(const struct night *night, size_t input, size_t scan);

/* Mean, least and greatest of [from, to). */
double night_mean(const struct night *night, size_t input, size_t from, size_t to);
double night_least(const struct night *night, size_t input, size_t from, size_t to);
double night_most(const struct night *night, size_t input, size_t from, size_t to);

/* Scan of the next fall through `level` in [from, to), or `to`. */
size_t night_fall(const struct night *night, size_t input, double level, size_t from, size_t to);

/* Falls through `level` in [from, to). */
size_t night_falls(const struct night *night, size_t input, double level, size_t from, size_t to);

/* Stretches of starter current, by the current alone. Returns how many, at most `most`. */
struct stretch {
    size_t from, to;
};
size_t night_attempts(const struct night *night, struct stretch *attempts, size_t most);

/* Splits "key=value ..." in place into settings; returns how many. */
size_t night_settings(char *options, struct board_setting *settings, size_t most);

#endif
