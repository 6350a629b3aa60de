// SPDX-License-Identifier: Apache-2.0
/*
 * levels_test.c - state levels, averages and duty against published values and plain arithmetic.
 */
#include "levels.h"

#include "cmocka_helper.h"
#include "sheet_helper.h"

#include <math.h>
#include <stdlib.h>

#define PI 3.14159265358979323846

/*
 * "Extract Features of a Clock Signal" (mathworks.com, signal processing documentation): state
 * levels of 0.0138 and 5.1848 V give a 10 % level of 0.5309 V and a 90 % level of 4.6677 V.
 */
static void reference_levels(void **state) {
    (void)state;
    assert_near(levels_reference(0.0138, 5.1848, 10.0), 0.5309, 5e-5);
    assert_near(levels_reference(0.0138, 5.1848, 90.0), 4.6677, 5e-5);
    assert_near(levels_reference(0.0138, 5.1848, 50.0), 2.5993, 5e-5);
}

static struct levels *fresh(void) {
    struct levels *levels = malloc(sizeof *levels);
    assert_non_null(levels);
    levels_init(levels);
    return levels;
}

/*
 * A noisy clock of 0 and 2.3 V: "Estimate State for Digital Clock" (same documentation) estimates
 * 0.0027 and 2.3068 V and tolerates 3 %.
 */
static void states_of_a_noisy_clock(void **state) {
    (void)state;
    struct scale scale = scale_line(3.3 / 4095.0, -0.2);
    struct levels *levels = fresh();
    uint64_t seed = 5;
    double low;
    double high;
    for (int i = 0; i < 20000; i++) {
        double value = (i / 50 % 2 ? 2.3 : 0.0) + 0.02 * sheet_random(&seed);
        int32_t counts = (int32_t)lrint(scale_counts(&scale, value));
        levels_push(levels, &counts, 1);
    }
    assert_true(levels_states(levels, &scale, &low, &high));
    assert_near(low, 0.0, 0.006);
    assert_near(high, 2.3, 0.006);
    assert_near(levels_share_above(levels, &scale, levels_reference(low, high, 50.0)), 0.5, 1e-9);
    assert_near(levels_average(levels, &scale), 1.15, 0.001);
    free(levels);
}

/* Mean of an on/off signal = low + duty x swing: 7 % of 0..5 V shows as 0.35 V on a meter. */
static void average_and_duty(void **state) {
    (void)state;
    struct scale scale = scale_line(0.001, 0.0);
    struct levels *levels = fresh();
    for (int i = 0; i < 10000; i++) {
        int32_t counts = i % 100 < 7 ? 5000 : 0;
        levels_push(levels, &counts, 1);
    }
    double low;
    double high;
    assert_true(levels_states(levels, &scale, &low, &high));
    assert_near(low, 0.0, 1e-9);
    assert_near(high, 5.0, 1e-9);
    assert_near(levels_share_above(levels, &scale, 2.5), 0.07, 1e-9);
    assert_near(levels_average(levels, &scale), 0.35, 1e-9);
    free(levels);
}

/* One level with noise, a sine and a slope have no two states. */
static void shapes_without_two_states(void **state) {
    (void)state;
    struct scale scale = scale_line(0.001, 0.0);
    double low = -1.0;
    double high = -1.0;
    for (int shape = 0; shape < 4; shape++) {
        struct levels *levels = fresh();
        uint64_t seed = 9;
        for (int i = 0; i < 10000; i++) {
            double value = 3.0;
            if (shape == 0)
                value = 5.0 + 0.02 * sheet_random(&seed);
            else if (shape == 1)
                value = 3.0 + 2.0 * sin(2.0 * PI * i / 97.0);
            else if (shape == 2)
                value = 5.0 * i / 10000.0;
            int32_t counts = (int32_t)lrint(value / 0.001);
            levels_push(levels, &counts, 1);
        }
        assert_false(levels_states(levels, &scale, &low, &high));
        free(levels);
    }
    assert_near(low, -1.0, 0.0);
    assert_near(high, -1.0, 0.0);
}

/* However wide the range grows, in whatever order, no sample is lost and the average is exact. */
static void a_growing_range(void **state) {
    (void)state;
    struct scale scale = scale_line(1.0, 0.0);
    struct levels *levels = fresh();
    uint64_t seed = 1;
    double sum = 0.0;
    int32_t lowest = INT32_MAX;
    int32_t highest = INT32_MIN;
    for (int i = 0; i < 5000; i++) {
        double size = exp2(22.0 * i / 5000.0);
        int32_t counts = (int32_t)(size * sheet_random(&seed) / 3.0);
        lowest = counts < lowest ? counts : lowest;
        highest = counts > highest ? counts : highest;
        sum += counts;
        levels_push(levels, &counts, 1);
    }
    uint64_t times = 0;
    for (size_t i = 0; i < LEVELS_BINS; i++)
        times += levels->times[i];
    assert_int_equal(times, 5000);
    assert_int_equal(levels->samples, 5000);
    assert_int_equal(levels->lowest, lowest);
    assert_int_equal(levels->highest, highest);
    assert_near(levels_average(levels, &scale), sum / 5000.0, 1e-6);
    free(levels);
}

static void the_whole_range_of_counts(void **state) {
    (void)state;
    struct scale scale = scale_line(1.0, 0.0);
    const int32_t counts[] = {0, INT32_MAX, INT32_MIN, 5, INT32_MAX};
    struct levels *levels = fresh();
    levels_push(levels, counts, 5);
    assert_int_equal(levels->lowest, INT32_MIN);
    assert_int_equal(levels->highest, INT32_MAX);
    assert_near(levels_average(levels, &scale), (2.0 * INT32_MAX + (double)INT32_MIN + 5.0) / 5.0,
                1e-3);
    free(levels);
}

static void merged_is_as_pushed(void **state) {
    (void)state;
    struct scale scale = scale_line(0.01, 0.0);
    struct levels *one = fresh();
    struct levels *two = fresh();
    struct levels *both = fresh();
    uint64_t seed = 3;
    for (int i = 0; i < 4000; i++) {
        int32_t counts = (int32_t)lrint((i % 3 ? 500.0 : 20000.0) + 10.0 * sheet_random(&seed));
        levels_push(i < 1000 ? one : two, &counts, 1);
        levels_push(both, &counts, 1);
    }
    levels_merge(one, two);
    assert_int_equal(one->samples, both->samples);
    assert_int_equal(one->lowest, both->lowest);
    assert_int_equal(one->highest, both->highest);
    assert_near(levels_average(one, &scale), levels_average(both, &scale), 1e-9);
    double low;
    double high;
    assert_true(levels_states(one, &scale, &low, &high));
    assert_near(low, 5.0, 0.03);
    assert_near(high, 200.0, 0.03);
    free(one);
    free(two);
    free(both);
}

static void percentiles_and_noise(void **state) {
    (void)state;
    struct levels *levels = fresh();
    for (int32_t i = 0; i < 1000; i++)
        levels_push(levels, &i, 1);
    struct scale rising = scale_line(1.0, 0.0);
    struct scale falling = scale_line(-1.0, 0.0);
    assert_near(levels_percentile(levels, &rising, 0.95), 950.0, 3.0);
    assert_near(levels_percentile(levels, &falling, 0.95), -50.0, 3.0);
    free(levels);
    levels = fresh();
    struct scale scale = scale_line(0.001, 0.0);
    uint64_t seed = 2;
    for (int i = 0; i < 20000; i++) {
        int32_t counts = (int32_t)lrint(5000.0 + 25.0 * sheet_random(&seed));
        levels_push(levels, &counts, 1);
    }
    assert_near(levels_noise(levels, &scale), 0.025, 0.001);
    free(levels);
}

static void nothing_seen(void **state) {
    (void)state;
    struct scale scale = scale_line(1.0, 0.0);
    struct levels *levels = fresh();
    double low;
    double high;
    assert_true(isnan(levels_average(levels, &scale)));
    assert_true(isnan(levels_percentile(levels, &scale, 0.5)));
    assert_false(levels_states(levels, &scale, &low, &high));
    free(levels);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(reference_levels),    cmocka_unit_test(states_of_a_noisy_clock),
        cmocka_unit_test(average_and_duty),    cmocka_unit_test(shapes_without_two_states),
        cmocka_unit_test(a_growing_range),     cmocka_unit_test(the_whole_range_of_counts),
        cmocka_unit_test(merged_is_as_pushed), cmocka_unit_test(percentiles_and_noise),
        cmocka_unit_test(nothing_seen),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
