// SPDX-License-Identifier: Apache-2.0
/*
 * calibration_test.c - known voltages against an input whose true line is made up here, and what is
 * refused.
 */
#include "calibration.h"
#include "hookup.h"

#include "cmocka_helper.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

/* A 12-bit input behind a divider of 5.7 and -1.024 V at the lowest count: -5.8 to 31.5 V. */
#define PER_COUNT (0.0016 * 5.7)
static const struct calibration_input van_input = {
    .nominal = {.points = 2, .counts = {0, 1}, .values = {-1.024 * 5.7, -1.024 * 5.7 + PER_COUNT}},
    .rail_low = 0,
    .rail_high = 4095};

/* The counts of an input that truly is volts = gain * nominal + offset. */
static double counts_at(double volts, double gain, double offset) {
    return scale_counts(&van_input.nominal, (volts - offset) / gain);
}

static struct calibration_reading quiet(double counts) {
    return (struct calibration_reading){
        .mean = counts, .rms = 0.7, .lowest = counts - 2, .highest = counts + 2};
}

static struct calibration fresh(void) {
    return (struct calibration){.board = "van board 7", .unit = "V"};
}

static int add(struct calibration *calibration, double volts, double gain, double offset,
               char why[256]) {
    struct calibration_reading reading = quiet(counts_at(volts, gain, offset));
    return calibration_add(calibration, &van_input, &reading, volts, 1700000000, why, 256);
}

static void two_points_give_the_line(void **state) {
    (void)state;
    struct calibration calibration = fresh();
    char why[256];
    assert_int_equal(add(&calibration, 0.0, 1.031, -0.12, why), 0);
    assert_int_equal(add(&calibration, 12.61, 1.031, -0.12, why), 0);
    assert_int_equal(calibration.kind, CALIBRATION_LINE);
    assert_true(fabs(calibration.gain - 1.031) < 1e-9);
    assert_true(fabs(calibration.offset + 0.12) < 1e-9);
    assert_true(isnan(calibration.residual)); /* two points lie on any line */
    struct scale applied = calibration_applied(&calibration, &van_input.nominal);
    assert_true(fabs(scale_value(&applied, counts_at(8.3, 1.031, -0.12)) - 8.3) < 1e-9);
}

static void a_third_point_tells_how_straight(void **state) {
    (void)state;
    struct calibration calibration = fresh();
    char why[256];
    assert_int_equal(add(&calibration, 0.0, 1, 0, why), 0);
    assert_int_equal(add(&calibration, 10.0, 1, 0.3, why), 0);
    assert_int_equal(add(&calibration, 20.0, 1, 0, why), 0);
    /* Least squares through (0,0) (9.7,10) (20,20), by numpy.polyfit(x, y, 1): slope
     * 0.9997000900, intercept 0.1029691093; farthest point 0.1999400180 from it. */
    assert_true(fabs(calibration.gain - 0.9997000900) < 1e-9);
    assert_true(fabs(calibration.offset - 0.1029691093) < 1e-9);
    assert_true(fabs(calibration.residual - 0.1999400180) < 1e-9);
}

static void one_point_is_offset_or_gain(void **state) {
    (void)state;
    struct calibration zero = fresh(), away = fresh();
    char why[256];
    assert_int_equal(add(&zero, 0.0, 1, 0.25, why), 0);
    assert_int_equal(zero.kind, CALIBRATION_OFFSET);
    assert_true(fabs(zero.offset - 0.25) < 1e-9);
    assert_true(fabs(zero.gain - 1.0) < 1e-12);
    assert_int_equal(add(&away, 12.6, 1.05, 0, why), 0);
    assert_int_equal(away.kind, CALIBRATION_GAIN);
    assert_true(fabs(away.gain - 1.05) < 1e-9);
    assert_true(fabs(away.offset) < 1e-12);
}

static void refused(const struct calibration *before, const struct calibration_reading *reading,
                    double known, const char *word) {
    struct calibration calibration = *before;
    char why[256] = "";
    assert_int_equal(calibration_add(&calibration, &van_input, reading, known, 0, why, sizeof why),
                     -EINVAL);
    if (!strstr(why, word))
        fail_msg("\"%s\" has no \"%s\"", why, word);
    assert_memory_equal(&calibration, before, sizeof calibration);
}

static void what_cannot_be_is_refused(void **state) {
    (void)state;
    struct calibration none = fresh(), one = fresh();
    char why[256];
    assert_int_equal(add(&one, 12.6, 1, 0, why), 0);
    struct calibration_reading reading = quiet(counts_at(12.6, 1.5, 0));
    refused(&none, &reading, 12.6, "wrong scale");
    reading = quiet(counts_at(6, 1, 0)); /* 0 V is said to be there */
    refused(&none, &reading, 0.0, "is the lead on it");
    reading = quiet(counts_at(13, 1, 0));
    refused(&one, &reading, 13.0, "too close");
    reading = quiet(4093);
    refused(&none, &reading, 31.4, "at its end");
    reading = quiet(counts_at(12.6, 1, 0));
    reading.rms = 60;
    refused(&none, &reading, 12.6, "noise");
    reading.rms = 0.7;
    reading.drift = -30;
    refused(&none, &reading, 12.6, "moved");
}

static void as_many_points_as_there_is_room_for(void **state) {
    (void)state;
    struct calibration calibration = fresh();
    char why[256];
    for (int i = 0; i < CALIBRATION_POINTS; i++)
        assert_int_equal(add(&calibration, -4.5 + 4.5 * i, 1, 0, why), i < 8 ? 0 : -EINVAL);
    struct calibration_reading reading = quiet(counts_at(2, 1, 0));
    refused(&calibration, &reading, 2.0, "points already");
}

static void another_scale_is_another_calibration(void **state) {
    (void)state;
    struct calibration calibration = fresh();
    char why[256];
    assert_int_equal(add(&calibration, 0, 1.02, 0, why), 0);
    assert_true(calibration_fits(&calibration, &van_input.nominal, "V"));
    assert_false(calibration_fits(&calibration, &van_input.nominal, "A"));
    struct scale other = scale_line(PER_COUNT * 1.001, -1.024 * 5.7);
    assert_false(calibration_fits(&calibration, &other, "V"));
}

/* ---- applied at fit ---- */

static const char hookup_text[] = "[vehicle]\nname = van\n"
                                  "[board logger]\ndriver = packet-serial\n"
                                  "device = /dev/ttyACM0\n"
                                  "[channel battery]\nboard = logger\ninput = 0\nrole = battery\n"
                                  "divider = 2\n"
                                  "[channel feed]\nboard = logger\ninput = 1\nrole = feed\n"
                                  "nominal = 5\nvolts-per-count = 0.01\n";

static struct board_description description(const char *identity) {
    struct board_description made = {.inputs = 2, .rate_hz = 1000};
    for (size_t i = 0; i < 2; i++) {
        made.bits[i] = 12;
        made.rail_high[i] = 4095;
        made.volts_per_count[i] = 0.005;
    }
    snprintf(made.identity, sizeof made.identity, "%s", identity);
    return made;
}

static double value_at(const struct hookup *hookup, size_t channel, double counts) {
    return scale_value(&hookup->vehicle.channels[channel].scale, counts);
}

static struct hookup *parse(void) {
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    assert_int_equal(
        hookup_parse(hookup_text, strlen(hookup_text), HOOKUP_FOR_BOARDS, &hookup, &problems), 0);
    return hookup;
}

static void fit(struct hookup *hookup, const char *identity) {
    struct problems problems = {0};
    struct board_description board = description(identity);
    assert_int_equal(hookup_fit_board(hookup, 0, &board, &problems), 0);
}

/* battery reads 10 V at 1000 counts; feed 10 V at 1000 counts. */
static void applied_to_its_own_board_and_input_only(void **state) {
    (void)state;
    const struct calibration stored[] = {{.board = "van board 7",
                                          .input = 0,
                                          .unit = "V",
                                          .points = 1,
                                          .point = {{.counts = 1000, .nominal = 10, .known = 10.2}},
                                          .kind = CALIBRATION_GAIN,
                                          .gain = 1.02},
                                         {.board = "van board 8",
                                          .input = 1,
                                          .unit = "V",
                                          .points = 1,
                                          .point = {{.counts = 500, .nominal = 5, .known = 5.5}},
                                          .kind = CALIBRATION_GAIN,
                                          .gain = 1.1}};
    struct hookup *hookup = parse();
    assert_int_equal(hookup_calibrate(hookup, stored, 2), 0);
    fit(hookup, "van board 7");
    assert_true(fabs(value_at(hookup, 0, 1000) - 10.2) < 1e-9);
    assert_true(fabs(value_at(hookup, 1, 1000) - 10.0) < 1e-9);
    assert_int_equal(hookup_calibration(hookup, 0)->state, CALIBRATION_APPLIED);
    assert_int_equal(hookup_calibration(hookup, 1)->state, CALIBRATION_NONE);
    assert_true(fabs(scale_value(hookup_nominal_scale(hookup, 0), 1000) - 10.0) < 1e-9);
    fit(hookup, "van board 8"); /* another board on the same port */
    assert_true(fabs(value_at(hookup, 0, 1000) - 10.0) < 1e-9);
    assert_true(fabs(value_at(hookup, 1, 1000) - 11.0) < 1e-9);
    fit(hookup, "van board 8"); /* once more: not applied twice */
    assert_true(fabs(value_at(hookup, 1, 1000) - 11.0) < 1e-9);
    fit(hookup, ""); /* nobody knows which board that is */
    assert_true(fabs(value_at(hookup, 1, 1000) - 10.0) < 1e-9);
    assert_int_equal(hookup_calibrate(hookup, NULL, 0), 0);
    fit(hookup, "van board 8");
    assert_int_equal(hookup_calibration(hookup, 1)->state, CALIBRATION_NONE);
    hookup_free(hookup);
}

static void not_applied_to_another_divider(void **state) {
    (void)state;
    const struct calibration stored = {.board = "van board 7",
                                       .input = 0,
                                       .unit = "V",
                                       .points = 1,
                                       .point = {{.counts = 1000, .nominal = 12, .known = 12.5}},
                                       .kind = CALIBRATION_GAIN,
                                       .gain = 12.5 / 12};
    struct hookup *hookup = parse();
    assert_int_equal(hookup_calibrate(hookup, &stored, 1), 0);
    fit(hookup, "van board 7");
    assert_true(fabs(value_at(hookup, 0, 1000) - 10.0) < 1e-9);
    assert_int_equal(hookup_calibration(hookup, 0)->state, CALIBRATION_OTHER_SCALE);
    hookup_free(hookup);
}

static void key_is(const char *identity, const char *device, const char *expected) {
    struct hookup_board board = {.name = "logger", .device = device};
    struct board_description described = description(identity);
    char key[CALIBRATION_BOARD] = "";
    assert_int_equal(hookup_board_key(&board, &described, key), expected != NULL);
    if (expected)
        assert_string_equal(key, expected);
}

static void what_tells_a_board_from_others(void **state) {
    (void)state;
    key_is("van board 7", "/dev/ttyUSB0", "van board 7");
    key_is("", "/dev/serial/by-id/usb-a_b_123-if00", "device /dev/serial/by-id/usb-a_b_123-if00");
    key_is("", "A1B2C3", "device A1B2C3");
    key_is("", "/dev/ttyUSB0", NULL);
    key_is("", NULL, NULL);
    /* The same name in Latin-1 and in UTF-8, as a file's head has it. */
    key_is("caf\xe9 7", NULL, "caf? 7");
    key_is("caf\xc3\xa9 7", NULL, "caf? 7");
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_points_give_the_line),
        cmocka_unit_test(a_third_point_tells_how_straight),
        cmocka_unit_test(one_point_is_offset_or_gain),
        cmocka_unit_test(what_cannot_be_is_refused),
        cmocka_unit_test(as_many_points_as_there_is_room_for),
        cmocka_unit_test(another_scale_is_another_calibration),
        cmocka_unit_test(applied_to_its_own_board_and_input_only),
        cmocka_unit_test(not_applied_to_another_divider),
        cmocka_unit_test(what_tells_a_board_from_others),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
