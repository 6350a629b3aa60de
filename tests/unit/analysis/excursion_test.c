// SPDX-License-Identifier: Apache-2.0
/*
 * excursion_test.c - leaving a range for long enough, hysteresis, breaks, falling scales.
 */
#include "excursion.h"

#include "cmocka_helper.h"

#include <math.h>
#include <string.h>

#define PERIOD_S 0.001

struct notes {
    size_t count;
    struct excursion_event event[32];
};

static void note(void *context, const struct excursion_event *event) {
    struct notes *notes = context;
    assert_true(notes->count < 32);
    notes->event[notes->count++] = *event;
}

static struct excursion *fresh(double per_count, double offset, double low, double high,
                               double hysteresis, double minimum_s) {
    struct scale scale = scale_line(per_count, offset);
    struct excursion_range range = {low, high, hysteresis, minimum_s};
    struct excursion *excursion = NULL;
    assert_int_equal(excursion_new(&scale, &range, &excursion), 0);
    return excursion;
}

/* Pushes the counts in pieces of `piece` samples from second 10 on. */
static struct notes push(struct excursion *excursion, const int32_t *counts, size_t count,
                         size_t piece) {
    struct notes notes = {0};
    for (size_t i = 0; i < count; i += piece)
        excursion_push(excursion, counts + i, count - i < piece ? count - i : piece,
                       10.0 + PERIOD_S * (double)i, PERIOD_S, note, &notes);
    return notes;
}

/* 10 mV a count; 4.75 to 5.25 V are 475 to 525 counts. The same whatever the pieces. */
static void a_dip(void **state) {
    (void)state;
    int32_t counts[20];
    for (size_t i = 0; i < 20; i++)
        counts[i] = i >= 5 && i < 12 ? 300 - (int32_t)i : 500;
    for (size_t piece = 1; piece <= 20; piece++) {
        struct excursion *excursion = fresh(0.01, 0.0, 4.75, 5.25, 0.05, 0.005);
        struct notes notes = push(excursion, counts, 20, piece);
        assert_int_equal(notes.count, 2);
        assert_true(notes.event[0].begins && notes.event[0].low);
        assert_near(notes.event[0].from_s, 10.004, 1e-9);
        assert_near(notes.event[0].from_until_s, 10.005, 1e-9);
        assert_true(isnan(notes.event[0].to_s));
        assert_near(notes.event[0].extreme, 2.91, 1e-9); /* five samples so far */
        assert_false(notes.event[1].begins);
        assert_near(notes.event[1].to_s, 10.012, 1e-9);
        assert_near(notes.event[1].extreme, 2.89, 1e-9);
        excursion_free(excursion);
    }
}

static void too_short(void **state) {
    (void)state;
    const int32_t counts[] = {500, 500, 100, 100, 100, 100, 500, 100, 100, 500};
    struct excursion *excursion = fresh(0.01, 0.0, 4.75, 5.25, 0.05, 0.005);
    assert_int_equal(push(excursion, counts, 10, 10).count, 0);
    excursion_free(excursion);
    /* even a minimum of nothing needs three scans */
    excursion = fresh(0.01, 0.0, 4.75, 5.25, 0.05, 0.0);
    struct notes notes = push(excursion, counts, 10, 10);
    assert_int_equal(notes.count, 2); /* the four samples, not the two */
    assert_near(notes.event[1].to_s, 10.006, 1e-9);
    excursion_free(excursion);
}

/* A value that equals its limit is inside, whatever the scale's rounding. */
static void at_the_limit(void **state) {
    (void)state;
    int32_t counts[10];
    struct excursion *excursion = fresh(0.001, 0.0, 4.75, 5.25, 0.0, 0.0);
    for (size_t i = 0; i < 10; i++)
        counts[i] = i < 5 ? 4750 : 5250;
    assert_int_equal(push(excursion, counts, 10, 10).count, 0);
    for (size_t i = 0; i < 10; i++)
        counts[i] = 4749;
    assert_int_equal(push(excursion, counts, 10, 10).count, 1);
    excursion_free(excursion);
}

static void hysteresis(void **state) {
    (void)state;
    /* back by less than 0.05 V does not end it */
    const int32_t counts[] = {500, 470, 470, 470, 478, 470, 479, 480, 500, 500};
    struct excursion *excursion = fresh(0.01, 0.0, 4.75, 5.25, 0.05, 0.0);
    struct notes notes = push(excursion, counts, 10, 3);
    assert_int_equal(notes.count, 2);
    assert_near(notes.event[1].to_s, 10.007, 1e-9);
    excursion_free(excursion);
}

/* From too low straight to too high: one ends, the other begins. */
static void from_one_side_to_the_other(void **state) {
    (void)state;
    const int32_t counts[] = {500, 400, 400, 400, 600, 600, 600, 500};
    struct excursion *excursion = fresh(0.01, 0.0, 4.75, 5.25, 0.0, 0.0);
    struct notes notes = push(excursion, counts, 8, 8);
    assert_int_equal(notes.count, 4);
    assert_true(notes.event[0].begins && notes.event[0].low);
    assert_true(!notes.event[1].begins && notes.event[1].low);
    assert_true(notes.event[2].begins && !notes.event[2].low);
    assert_near(notes.event[2].extreme, 6.0, 1e-9);
    assert_true(!notes.event[3].begins && !notes.event[3].low);
    excursion_free(excursion);
}

/* A clamp the wrong way round: high counts are low values. */
static void a_falling_scale(void **state) {
    (void)state;
    const int32_t counts[] = {0, 0, 700, 800, 700, 0, 0};
    struct excursion *excursion = fresh(-0.01, 5.0, 0.0, (double)INFINITY, 0.0, 0.0);
    struct notes notes = push(excursion, counts, 7, 7);
    assert_int_equal(notes.count, 2);
    assert_true(notes.event[0].low);
    assert_near(notes.event[1].extreme, -3.0, 1e-9);
    excursion_free(excursion);
}

static void limits_on_one_side(void **state) {
    (void)state;
    const int32_t counts[] = {INT32_MIN, INT32_MIN, INT32_MIN, INT32_MAX, INT32_MAX, INT32_MAX, 0};
    struct excursion *excursion = fresh(1.0, 0.0, -(double)INFINITY, (double)INFINITY, 0.0, 0.0);
    assert_int_equal(push(excursion, counts, 7, 7).count, 0);
    excursion_free(excursion);
    excursion = fresh(1.0, 0.0, -(double)INFINITY, 100.0, 0.0, 0.0);
    assert_int_equal(push(excursion, counts, 7, 7).count, 2);
    excursion_free(excursion);
}

static void samples_are_missing(void **state) {
    (void)state;
    const int32_t counts[] = {500, 500, 400, 400, 400, 400};
    struct excursion *excursion = fresh(0.01, 0.0, 4.75, 5.25, 0.0, 0.0);
    struct notes notes = push(excursion, counts, 6, 6);
    assert_int_equal(notes.count, 1);
    excursion_break(excursion, note, &notes);
    assert_int_equal(notes.count, 2);
    assert_false(notes.event[1].begins);
    assert_true(isnan(notes.event[1].to_s));
    /* it goes on behind the hole: the onset still lies behind the last sample inside */
    excursion_push(excursion, counts + 2, 4, 11.0, PERIOD_S, note, &notes);
    assert_int_equal(notes.count, 3);
    assert_near(notes.event[2].from_s, 10.001, 1e-9);
    assert_near(notes.event[2].from_until_s, 11.0, 1e-9);
    excursion_free(excursion);
    /* outside from the first sample on: nobody knows since when */
    excursion = fresh(0.01, 0.0, 4.75, 5.25, 0.0, 0.0);
    notes = push(excursion, counts + 2, 4, 4);
    assert_int_equal(notes.count, 1);
    assert_near(notes.event[0].from_s, 10.0, 1e-9);
    assert_near(notes.event[0].from_until_s, 10.0, 1e-9);
    excursion_free(excursion);
}

static void a_range_that_changes(void **state) {
    (void)state;
    const int32_t counts[] = {300, 300, 300, 300, 300};
    struct excursion *excursion = fresh(0.01, 0.0, 2.0, 4.0, 0.0, 0.0);
    assert_int_equal(push(excursion, counts, 5, 5).count, 0);
    struct excursion_range range = {4.75, 5.25, 0.0, 0.0};
    excursion_set_range(excursion, &range);
    struct notes notes = push(excursion, counts, 5, 5);
    assert_int_equal(notes.count, 1);
    assert_true(notes.event[0].begins && notes.event[0].low);
    excursion_free(excursion);
    excursion_free(NULL);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_dip),
        cmocka_unit_test(too_short),
        cmocka_unit_test(at_the_limit),
        cmocka_unit_test(hysteresis),
        cmocka_unit_test(from_one_side_to_the_other),
        cmocka_unit_test(a_falling_scale),
        cmocka_unit_test(limits_on_one_side),
        cmocka_unit_test(samples_are_missing),
        cmocka_unit_test(a_range_that_changes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
