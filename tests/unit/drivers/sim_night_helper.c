// SPDX-License-Identifier: Apache-2.0
/*
 * sim_night_helper.c - runs the simulated board to its end and keeps what it gave, for tests.
 */
#include "sim_night_helper.h"
#include "cmocka_helper.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STARTER_AMPS 30.0

static void keep(void *context, const int32_t *counts, size_t scans) {
    struct night *night = context;
    if (night->scans + scans > night->room) {
        night->room = (night->scans + scans) * 2;
        night->counts = realloc(night->counts, night->room * night->inputs * sizeof(uint16_t));
        assert_non_null(night->counts);
    }
    uint16_t *to = night->counts + night->scans * night->inputs;
    for (size_t i = 0; i < scans * night->inputs; i++)
        to[i] = (uint16_t)counts[i];
    night->scans += scans;
}

static void no_loss(void *context, enum board_loss reason, uint64_t scans) {
    (void)context;
    fail_msg("lost %llu scans: %s", (unsigned long long)scans, board_loss_name(reason));
}

static void note_time(void *context, enum board_note note, int64_t value) {
    struct night *night = context;
    if (note == BOARD_NOTE_TIME)
        night->time_ns = value;
}

size_t night_settings(char *options, struct board_setting *settings, size_t most) {
    size_t count = 0;
    char *rest = NULL;
    for (char *word = strtok_r(options, " ", &rest); word; word = strtok_r(NULL, " ", &rest)) {
        char *equals = strchr(word, '=');
        assert_non_null(equals);
        assert_true(count < most);
        *equals = '\0';
        settings[count++] = (struct board_setting){word, equals + 1};
    }
    return count;
}

void night_run(struct night *night, const char *options) {
    char text[256];
    struct board_setting setting[16] = {{"pace", "free"}};
    snprintf(text, sizeof text, "%s", options);
    struct board_settings settings = {.count = 1 + night_settings(text, setting + 1, 15),
                                      .setting = setting};
    *night = (struct night){.time_ns = -1};
    struct board_sinks sinks = {night, keep, no_loss, note_time};
    struct board *board = NULL;
    char why[256] = "";
    if (board_driver_sim.open(&settings, &sinks, &board, why, sizeof why) != 0)
        fail_msg("%s", why);
    assert_int_equal(board_driver_sim.describe(board, &night->description), 0);
    night->inputs = night->description.inputs;
    struct board_bytes request;
    assert_int_equal(board_driver_sim.start(board, &request), 0);
    do {
        night->result = board_driver_sim.fetch(board, 100);
    } while (night->result > 0);
    board_driver_sim.close(board);
}

void night_free(struct night *night) {
    free(night->counts);
    night->counts = NULL;
}

double night_value(const struct night *night, size_t input, size_t scan) {
    /* What stands in a hookup for this board: dividers of 5.7, a clamp of 200 A/V. */
    static const double factor[] = {
        [BATTERY] = 5.7, [FEED] = 1.0,      [RETURN] = 1.0,   [CRANK] = 1.0,
        [CAM] = 1.0,     [CURRENT] = 200.0, [IGNITION] = 5.7, [SUPPLY] = 5.7};
    double counts = night->counts[scan * night->inputs + input];
    return (counts - night->description.zero_counts[input]) *
           night->description.volts_per_count[input] * factor[input];
}

double night_mean(const struct night *night, size_t input, size_t from, size_t to) {
    double sum = 0.0;
    for (size_t scan = from; scan < to; scan++)
        sum += night_value(night, input, scan);
    return sum / (double)(to - from);
}

double night_least(const struct night *night, size_t input, size_t from, size_t to) {
    double least = HUGE_VAL;
    for (size_t scan = from; scan < to; scan++)
        least = fmin(least, night_value(night, input, scan));
    return least;
}

double night_most(const struct night *night, size_t input, size_t from, size_t to) {
    double most = -HUGE_VAL;
    for (size_t scan = from; scan < to; scan++)
        most = fmax(most, night_value(night, input, scan));
    return most;
}

size_t night_fall(const struct night *night, size_t input, double level, size_t from, size_t to) {
    for (size_t scan = from + 1; scan < to; scan++) {
        if (night_value(night, input, scan) < level && night_value(night, input, scan - 1) >= level)
            return scan;
    }
    return to;
}

size_t night_falls(const struct night *night, size_t input, double level, size_t from, size_t to) {
    size_t falls = 0;
    for (size_t at = night_fall(night, input, level, from, to); at < to;
         at = night_fall(night, input, level, at, to))
        falls++;
    return falls;
}

size_t night_attempts(const struct night *night, struct stretch *attempts, size_t most) {
    size_t count = 0;
    size_t quiet = (size_t)(2.0 * night->description.rate_hz);
    for (size_t scan = 0; scan < night->scans; scan++) {
        if (night_value(night, CURRENT, scan) < STARTER_AMPS)
            continue;
        if (count == 0 || scan > attempts[count - 1].to + quiet) {
            assert_true(count < most);
            attempts[count++].from = scan;
        }
        attempts[count - 1].to = scan + 1;
    }
    return count;
}
