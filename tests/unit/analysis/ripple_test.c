// SPDX-License-Identifier: Apache-2.0
/*
 * ripple_test.c - compressions found beside scipy, in published starting profiles, against noise.
 *
 * The recordings of real engines hold no battery and no starter current: none is used here.
 */
#include "ripple.h"

#include "cmocka_helper.h"
#include "sheet_helper.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>

#define NO_MODULE 77

static struct window window_of(const struct vehicle *vehicle) {
    return (struct window){
        .vehicle = vehicle,
        .from_s = 0.0,
        .to_s = 1000.0,
        .engaged_s = (double)NAN,
        .released_s = (double)NAN,
    };
}

/* A ripple of the sheet's channel with all of its runs pushed. */
static struct ripple *sliced(struct sheet *sheet, const struct window *window, size_t channel) {
    struct record record = sheet_record(sheet);
    struct record_run run;
    struct ripple *ripple = NULL;
    assert_int_equal(ripple_new(window, channel, record.from_s, record.to_s, &ripple), 0);
    assert_int_equal(record.seek(record.context, record.from_s), 0);
    while (record.next(record.context, &run) > 0)
        assert_int_equal(ripple_push(ripple, &run), 0);
    return ripple;
}

/* --- Published profiles ----------------------------------------------------------------- */

/*
 * VW 80000:2013 6.11 "cold start normal", at second hand: 11 V, 4.5 V for 19 ms, 50 ms to a
 * plateau of 7.5 V on which 2 Hz of 2 Vpp stand for 10 s, 100 ms back. rpm = 120 f / cylinders
 * (geometry): 60 rpm of four cylinders, 40 rpm of six.
 */
static void cold_start_normal(void **state) {
    (void)state;
    static const unsigned cylinders[] = {4, 6, 0};
    static const double rpm[] = {60.0, 40.0, (double)NAN};
    const struct start_profile profile = {11.0, 0.001, 4.5, 0.019, 0.05, 7.5, 1.0, 10.0, 0.1};
    for (int i = 0; i < 3; i++) {
        struct sheet *sheet = sheet_new(2000.0, 0.0, 16.0, 12.0);
        size_t battery = sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 16.0);
        sheet->noise[battery] = 0.01;
        sheet->vehicle.cylinders = cylinders[i];
        double rise_s = sheet_start(sheet, battery, 3.0, &profile);
        struct window window = window_of(&sheet->vehicle);
        struct ripple *ripple = sliced(sheet, &window, battery);
        struct ripple_estimate estimate;
        ripple_quiet(ripple, 0.0, 3.0);
        assert_true(ripple_estimate(ripple, 3.2, rise_s, &estimate));
        assert_int_equal(estimate.answer, RIPPLE_SEEN);
        assert_near(estimate.hertz, 2.0, 0.06);
        assert_near(estimate.strength, 2.0, 0.2);
        assert_near(estimate.compressions, 2.0 * (rise_s - 3.2), 2.0);
        if (cylinders[i] > 0)
            assert_near(estimate.rpm, rpm[i], 2.0);
        else
            assert_true(isnan(estimate.rpm));
        ripple_free(ripple);
        sheet_free(sheet);
    }
}

/* ISO 16750-2:2003 4.5.3 level I, at second hand: one second of 2 Hz is two compressions. */
static void two_compressions_tell_nothing(void **state) {
    (void)state;
    const struct start_profile profile = {12.0, 0.005, 8.0, 0.015, 0.05, 10.5, 1.0, 1.0, 0.04};
    struct sheet *sheet = sheet_new(2000.0, 0.0, 8.0, 12.0);
    size_t battery = sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 16.0);
    sheet->noise[battery] = 0.01;
    double rise_s = sheet_start(sheet, battery, 3.0, &profile);
    struct window window = window_of(&sheet->vehicle);
    struct ripple *ripple = sliced(sheet, &window, battery);
    struct ripple_estimate estimate;
    ripple_quiet(ripple, 0.0, 3.0);
    assert_false(ripple_estimate(ripple, 3.07, rise_s, &estimate));
    assert_int_not_equal(estimate.answer, RIPPLE_SEEN);
    assert_true(isnan(estimate.hertz));
    assert_false(ripple_estimate(ripple, 3.1, 3.3, &estimate));
    assert_int_equal(estimate.answer, RIPPLE_TOO_SHORT);
    ripple_free(ripple);
    sheet_free(sheet);
}

/* f = rpm x cylinders / 120: the table of facts, computed from geometry. */
static void speeds_of_the_table(void **state) {
    (void)state;
    static const unsigned cylinders[] = {3, 4, 5, 6, 8};
    static const double hertz[][5] = {
        {2.5, 3.333, 4.167, 5.0, 6.667},
        {5.0, 6.667, 8.333, 10.0, 13.333},
        {7.5, 10.0, 12.5, 15.0, 20.0},
    };
    static const double rpm[] = {100.0, 200.0, 300.0};
    for (size_t row = 0; row < 3; row++) {
        for (size_t i = 0; i < 5; i++) {
            struct sheet *sheet = sheet_new(1000.0, 0.0, 4.0, 12.0);
            size_t current = sheet_channel(sheet, "starter", ROLE_STARTER_CURRENT, -100.0, 900.0);
            sheet->noise[current] = 2.0;
            sheet->vehicle.cylinders = cylinders[i];
            sheet_hold(sheet, current, 1.0, 4.0, 180.0);
            sheet_add_sine(sheet, current, 1.0, 4.0, 25.0, hertz[row][i]);
            struct window window = window_of(&sheet->vehicle);
            struct ripple *ripple = sliced(sheet, &window, current);
            struct ripple_estimate estimate;
            assert_true(ripple_estimate(ripple, 1.1, 4.0, &estimate));
            assert_near(estimate.rpm, rpm[row], 0.01 * rpm[row]);
            assert_near(ripple_rpm(hertz[row][i], cylinders[i]), rpm[row], 0.02);
            ripple_free(ripple);
            sheet_free(sheet);
        }
    }
}

/* --- Losses and slow boards ------------------------------------------------------------- */

static void through_losses_and_slow_boards(void **state) {
    (void)state;
    static const double rates[] = {10.0, 100.0, 250.0, 20000.0};
    for (int i = 0; i < 4; i++) {
        struct sheet *sheet = sheet_new(rates[i], 0.0, 8.0, 12.0);
        size_t battery = sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 16.0);
        sheet->noise[battery] = 0.01;
        sheet_hold(sheet, battery, 0.0, 8.0, 10.0);
        sheet_add_sine(sheet, battery, 0.0, 8.0, 0.2, 6.0);
        sheet_lose(sheet, 4.0, 4.1);
        struct window window = window_of(&sheet->vehicle);
        struct ripple *ripple = sliced(sheet, &window, battery);
        struct ripple_estimate estimate;
        if (rates[i] < 50.0) {
            assert_false(ripple_estimate(ripple, 0.0, 8.0, &estimate));
        } else {
            assert_true(ripple_estimate(ripple, 0.0, 8.0, &estimate));
            assert_near(estimate.hertz, 6.0, 0.06);
            for (size_t k = 0; k < estimate.piece_count; k++)
                assert_true(estimate.pieces[k].to_s <= 4.03 || estimate.pieces[k].from_s >= 4.05);
        }
        assert_false(ripple_estimate(ripple, 3.0, 4.9, &estimate));
        ripple_free(ripple);
        sheet_free(sheet);
    }
}

/* What moves by a count of the board now and then is not the engine. */
static void below_two_counts(void **state) {
    (void)state;
    struct sheet *sheet = sheet_new(2000.0, 0.0, 6.0, 12.0);
    size_t battery = sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 16.0);
    sheet_hold(sheet, battery, 0.0, 6.0, 10.0);
    sheet_add_sine(sheet, battery, 0.0, 6.0, 0.7 * 16.0 / 4095.0, 6.0);
    struct window window = window_of(&sheet->vehicle);
    struct ripple *ripple = sliced(sheet, &window, battery);
    struct ripple_estimate estimate;
    assert_false(ripple_estimate(ripple, 0.0, 6.0, &estimate));
    assert_int_equal(estimate.answer, RIPPLE_IN_NOISE);
    ripple_free(ripple);
    sheet_free(sheet);
}

/* --- Single compressions ---------------------------------------------------------------- */

/* Running up: 4 Hz for two seconds, then 6 Hz; the beats tell each compression's time. */
static void beats_follow_the_speed(void **state) {
    (void)state;
    struct sheet *sheet = sheet_new(2000.0, 0.0, 6.0, 12.0);
    size_t battery = sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 16.0);
    sheet->noise[battery] = 0.01;
    sheet_hold(sheet, battery, 0.0, 6.0, 10.0);
    sheet_add_sine(sheet, battery, 0.0, 2.0, 0.2, 4.0);
    sheet_add_sine(sheet, battery, 2.0, 6.0, 0.2, 6.0);
    struct window window = window_of(&sheet->vehicle);
    struct ripple *ripple = sliced(sheet, &window, battery);
    struct ripple_estimate estimate;
    struct ripple_beat beats[64];
    assert_true(ripple_estimate(ripple, 3.0, 6.0, &estimate));
    int count = ripple_beats(ripple, &estimate, 0.0, 6.0, beats, 64);
    assert_in_range(count, 27, 31); /* 8 + 24 periods, less what the ends cut */
    for (int i = 0; i < count; i++) {
        double length_s = beats[i].to_s - beats[i].from_s;
        if (beats[i].to_s < 1.9)
            assert_near(length_s, 1.0 / 4.0, 0.03);
        if (beats[i].from_s > 2.2)
            assert_near(length_s, 1.0 / 6.0, 0.02);
    }
    ripple_free(ripple);
    sheet_free(sheet);
}

/* --- Beside numpy and scipy ------------------------------------------------------------- */

struct trace {
    char name[64];
    double rate, quiet_s, from_s, to_s;
    double hertz, spectrum_hz, lag_hz;
    unsigned cylinders;
    size_t count;
    int32_t *counts;
};

static FILE *open_reference(const char *what) {
    char command[512];
    snprintf(command, sizeof command,
             "/usr/bin/python3 '%s/tests/unit/analysis/ripple_reference.py' %s", CRANKTRAP_SOURCE,
             what);
    FILE *reference = popen(command, "r");
    assert_non_null(reference);
    return reference;
}

static bool read_trace(FILE *reference, struct trace *trace) {
    if (fscanf(reference, "%63s %lf %u %lf %lf %lf %lf %lf %lf %zu", trace->name, &trace->rate,
               &trace->cylinders, &trace->quiet_s, &trace->from_s, &trace->to_s, &trace->hertz,
               &trace->spectrum_hz, &trace->lag_hz, &trace->count) != 10)
        return false;
    trace->counts = malloc(trace->count * sizeof *trace->counts);
    assert_non_null(trace->counts);
    for (size_t i = 0; i < trace->count; i++)
        assert_int_equal(fscanf(reference, "%d", &trace->counts[i]), 1);
    return true;
}

/* What ripple.h tells of the trace; frees its counts. */
static struct ripple_estimate told_of(struct trace *trace) {
    const struct vehicle_channel channel = {
        .name = "battery",
        .role = ROLE_BATTERY,
        .unit = "V",
        .scale = scale_line(0.001, 0.0),
    };
    const struct vehicle vehicle = {
        .cylinders = trace->cylinders,
        .system_volts = 12.0,
        .channel_count = 1,
        .channels = &channel,
    };
    const int32_t *counts = trace->counts;
    struct record_run run = {
        .inputs = 1,
        .scans = trace->count,
        .period_s = 1.0 / trace->rate,
        .counts = &counts,
    };
    struct window window = window_of(&vehicle);
    struct ripple *ripple = NULL;
    struct ripple_estimate estimate;
    assert_int_equal(ripple_new(&window, 0, 0.0, 1000.0, &ripple), 0);
    assert_int_equal(ripple_push(ripple, &run), 0);
    if (trace->quiet_s > 0.0)
        ripple_quiet(ripple, 0.0, trace->quiet_s);
    ripple_estimate(ripple, trace->from_s, trace->to_s, &estimate);
    ripple_free(ripple);
    free(trace->counts);
    return estimate;
}

/* Reads to the end; false (with a word) where numpy or scipy are absent. */
static void close_reference(FILE *reference) {
    int status = pclose(reference);
    if (WIFEXITED(status) && (WEXITSTATUS(status) == NO_MODULE || WEXITSTATUS(status) == 127)) {
        print_message("not run: numpy and scipy for /usr/bin/python3 are not there\n");
        skip();
    }
    assert_int_equal(status, 0);
}

/*
 * Batteries by other equations: the frequency is that of the compressions put in, as scipy's
 * periodogram and autocorrelation see it; loads that are no engine are not taken for one.
 */
static void batteries_by_numpy(void **state) {
    (void)state;
    FILE *reference = open_reference("");
    struct trace trace;
    size_t traces = 0;
    while (read_trace(reference, &trace)) {
        struct ripple_estimate estimate = told_of(&trace);
        bool uneven = strstr(trace.name, "uneven") != NULL;
        traces++;
        if (trace.hertz == 0.0) {
            if (estimate.answer == RIPPLE_SEEN)
                fail_msg("%s: taken for compressions of %g Hz", trace.name, estimate.hertz);
            continue;
        }
        if (estimate.answer != RIPPLE_SEEN)
            fail_msg("%s: not seen", trace.name);
        assert_near(estimate.hertz, trace.hertz, 0.03 * trace.hertz);
        if (!uneven) {
            assert_near(estimate.hertz, trace.spectrum_hz, 0.03 * trace.hertz);
            assert_near(estimate.hertz, trace.lag_hz, 0.06 * trace.hertz);
            assert_true(isnan(estimate.uneven) || estimate.uneven < 0.1);
        } else {
            assert_true(estimate.uneven > 0.15);
        }
    }
    close_reference(reference);
    assert_true(traces > 60);
}

/*
 * Noise of several kinds without a quiet stretch to learn from: at most one false alarm in 225
 * (see spectrum.h for the tail that was chosen so).
 */
static void noise_by_numpy(void **state) {
    (void)state;
    FILE *reference = open_reference("noise 25");
    struct trace trace;
    size_t traces = 0;
    size_t alarms = 0;
    while (read_trace(reference, &trace)) {
        struct ripple_estimate estimate = told_of(&trace);
        alarms += estimate.answer == RIPPLE_SEEN ? 1 : 0;
        traces++;
    }
    close_reference(reference);
    assert_int_equal(traces, 225);
    assert_true(alarms <= 1);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(cold_start_normal),   cmocka_unit_test(two_compressions_tell_nothing),
        cmocka_unit_test(speeds_of_the_table), cmocka_unit_test(through_losses_and_slow_boards),
        cmocka_unit_test(below_two_counts),    cmocka_unit_test(beats_follow_the_speed),
        cmocka_unit_test(batteries_by_numpy),  cmocka_unit_test(noise_by_numpy),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
