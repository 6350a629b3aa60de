// SPDX-License-Identifier: Apache-2.0
/*
 * sim_parts_test.c - parts of the simulated board one by one: random numbers, converter, wheels.
 */
#include "cmocka_helper.h"
#include "sim_converter.h"
#include "sim_fault.h"
#include "sim_random.h"
#include "sim_wheel.h"

#include <errno.h>
#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

/* The five numbers that are published for SplitMix64 with seed 1234567. */
static void random_numbers_are_the_published_ones(void **state) {
    (void)state;
    static const uint64_t published[] = {
        UINT64_C(6457827717110365317), UINT64_C(3203168211198807973), UINT64_C(9817491932198370423),
        UINT64_C(4593380528125082431), UINT64_C(16408922859458223821)};
    for (size_t i = 0; i < sizeof published / sizeof published[0]; i++)
        assert_true(sim_random_at(1234567, i) == published[i]);
}

static void random_numbers_stay_within_their_range(void **state) {
    (void)state;
    struct sim_random random = sim_random_new(7, 3);
    double sum = 0.0;
    for (int i = 0; i < 100000; i++) {
        double value = sim_random_between(&random, 2.0, 4.0);
        assert_true(value >= 2.0 && value < 4.0);
        sum += value;
    }
    /* Of a uniform distribution: mean 3, its standard error 2 / sqrt(12 * 100000). */
    assert_true(fabs(sum / 100000.0 - 3.0) < 5.0 * 2.0 / sqrt(12.0 * 100000.0));
}

static void converter_is_right_and_noisy(void **state) {
    (void)state;
    struct sim_converter converter;
    sim_converter_init(&converter, 12, 99);
    double volts[SIM_INPUTS] = {0.0, 1.0, -0.5, 5.0, 2.2, 0.3, 9.0, -9.0};
    enum { SCANS = 50000 };
    static int32_t counts[SCANS * SIM_INPUTS];
    sim_converter_repeat(&converter, 1000, SCANS, volts, SIM_INPUTS, counts);
    for (size_t input = 0; input < 6; input++) {
        double sum = 0.0;
        double squares = 0.0;
        for (size_t scan = 0; scan < SCANS; scan++) {
            double error = counts[scan * SIM_INPUTS + input] -
                           (converter.zero_counts + volts[input] * converter.counts_per_volt);
            sum += error;
            squares += error * error;
        }
        assert_true(fabs(sum / SCANS) < 0.03);
        /* 0.7 counts of noise and the 1/12 of rounding (IEEE 1241: q / sqrt(12)). */
        assert_true(fabs(sqrt(squares / SCANS) - sqrt(0.49 + 1.0 / 12.0)) < 0.03);
    }
    assert_int_equal(counts[6], 4095);
    assert_int_equal(counts[7], 0);
}

static void converter_gives_the_same_scan_either_way(void **state) {
    (void)state;
    struct sim_converter converter;
    sim_converter_init(&converter, 16, 5);
    double volts[SIM_INPUTS] = {2.1, 5.0, 0.01, 0.13, 4.98, 0.8, 2.0, 2.0};
    int32_t many[100 * 5];
    sim_converter_repeat(&converter, 77, 100, volts, 5, many);
    for (size_t scan = 0; scan < 100; scan++) {
        int32_t one[5];
        sim_converter_scan(&converter, 77 + scan, volts, 5, one);
        assert_memory_equal(one, many + scan * 5, sizeof one);
    }
}

/* Turns a wheel at 200 rpm and measures it: pulses a second, usual and longest time between
 * falling edges. */
static void turn(const char *name, double *pulses_a_second, double *usual_s, double *longest_s) {
    struct sim_wheel wheel;
    assert_int_equal(sim_wheel_parse(name, &wheel), 0);
    const double step_s = 1e-6;
    const double speed = 200.0 * 2.0 * M_PI / 60.0;
    bool before = false;
    double last_s = -1.0;
    *usual_s = HUGE_VAL;
    *longest_s = 0.0;
    unsigned pulses = 0;
    for (unsigned i = 0; i < 3000000; i++) { /* 3 s: ten whole turns */
        bool tooth = sim_wheel_tooth(&wheel, fmod(speed * step_s * i, 4.0 * M_PI));
        if (tooth && !before) {
            double now_s = step_s * i;
            if (last_s >= 0.0) {
                *usual_s = fmin(*usual_s, now_s - last_s);
                *longest_s = fmax(*longest_s, now_s - last_s);
            }
            last_s = now_s;
            pulses++;
        }
        before = tooth;
    }
    *pulses_a_second = pulses / 3.0;
}

/*
 * Geometry at 200 rpm, and for 58 teeth with one uncut span the Suzuki XL7 2008 and Chevrolet
 * Traverse 2010 crank sensor descriptions: 6 degrees a tooth; the same edge comes back after three
 * pitches across the gap.
 */
static void wheels_have_their_published_times(void **state) {
    (void)state;
    static const struct {
        const char *wheel;
        double pulses_a_second, usual_ms, longest_ms;
    } known[] = {{"60-2", 193.3, 5.000, 15.0},   {"36-1", 116.7, 8.333, 16.67},
                 {"36-2", 113.3, 8.333, 25.0},   {"24-1", 76.7, 12.5, 25.0},
                 {"36-2-2", 106.7, 8.333, 25.0}, {"4", 13.33, 75.0, 75.0}};
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        double pulses = 0.0;
        double usual_s = 0.0;
        double longest_s = 0.0;
        turn(known[i].wheel, &pulses, &usual_s, &longest_s);
        assert_true(fabs(pulses - known[i].pulses_a_second) < 0.5);
        assert_true(fabs(usual_s * 1e3 - known[i].usual_ms) < 0.01);
        assert_true(fabs(longest_s * 1e3 - known[i].longest_ms) < 0.01);
    }
}

static void wheels_that_cannot_be_are_refused(void **state) {
    (void)state;
    static const char *const wrong[] = {"",         "learn", "0",     "-2",  "36-",
                                        "36-36",    "36--1", "36-1x", "400", "36 -1",
                                        "60-2-2-2", "1-1",   "+36",   "4-2"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct sim_wheel wheel = {7, 7, 7};
        assert_int_equal(sim_wheel_parse(wrong[i], &wheel), -EINVAL);
        assert_int_equal(wheel.places, 7);
    }
}

static void fault_names_are_those_of_the_option(void **state) {
    (void)state;
    char words[] = SIM_FAULT_WORDS;
    char *rest = NULL;
    int kind = 0;
    for (char *word = strtok_r(words, "|", &rest); word; word = strtok_r(NULL, "|", &rest))
        assert_int_equal(sim_fault_from_name(word), kind++);
    assert_int_equal(kind, SIM_FAULTS);
    assert_int_equal(sim_fault_from_name("ghost"), SIM_FAULTS);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(random_numbers_are_the_published_ones),
        cmocka_unit_test(random_numbers_stay_within_their_range),
        cmocka_unit_test(converter_is_right_and_noisy),
        cmocka_unit_test(converter_gives_the_same_scan_either_way),
        cmocka_unit_test(wheels_have_their_published_times),
        cmocka_unit_test(wheels_that_cannot_be_are_refused),
        cmocka_unit_test(fault_names_are_those_of_the_option),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
