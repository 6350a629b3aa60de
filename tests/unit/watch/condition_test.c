// SPDX-License-Identifier: Apache-2.0
/*
 * condition_test.c - sections on a level: outside a band, and steps.
 */
#include "cmocka_helper.h"
#include "yard_helper.h"

#include <math.h>
#include <string.h>

struct bench {
    struct yard yard;
    size_t lead;
    struct hookup_trigger *trigger;
};

/* A lead without a role's own trigger, and one section on it. */
static void open_bench(struct bench *bench, enum trigger_kind kind, double level) {
    yard_open(&bench->yard);
    bench->lead = yard_lead(&bench->yard, "probe", ROLE_OTHER, 5.0);
    bench->trigger = yard_trigger(&bench->yard, "own", bench->lead);
    bench->trigger->kind = kind;
    bench->trigger->level = level;
}

static void begin(struct bench *bench) {
    yard_watch(&bench->yard);
    yard_pass(&bench->yard, 2.0);
}

static void hold(struct bench *bench, double volts, double seconds) {
    bench->yard.volts[bench->lead] = volts;
    yard_pass(&bench->yard, seconds);
}

static size_t count(const struct bench *bench) {
    return yard_count(&bench->yard, "own");
}

/* ---- outside ---- */

static void open_band(struct bench *bench) {
    open_bench(bench, TRIGGER_OUTSIDE, 4.75);
    bench->trigger->level_high = 5.25;
    bench->trigger->hysteresis = 0.05;
}

static void test_outside_on_either_side(void **state) {
    (void)state;
    static const double out[] = {4.2, 5.8};
    for (size_t i = 0; i < 2; i++) {
        struct bench bench;
        open_band(&bench);
        begin(&bench);
        double at_s = bench.yard.now_s;
        hold(&bench, out[i], 0.5);
        hold(&bench, 5.0, 3.0);
        assert_int_equal(count(&bench), 2);
        const struct yard_note *begins = yard_note(&bench.yard, "own", 0);
        const struct yard_note *ends = yard_note(&bench.yard, "own", 1);
        assert_near(begins->at_s, at_s, 0.001);
        assert_near(begins->mark.value, out[i], 0.006);
        assert_near(ends->at_s, at_s + 0.5, 0.001);
        assert_near(ends->mark.value, out[i], 0.006);
        assert_non_null(strstr(begins->text, "outside 4.75 to 5.25 V"));
        assert_non_null(strstr(ends->text, i ? "highest 5.8" : "lowest 4.2"));
        yard_close(&bench.yard);
    }
}

/* Inside, at the very ends of the band, two scans outside, and losses: nothing. */
static void test_not_outside(void **state) {
    (void)state;
    struct bench bench;
    open_band(&bench);
    begin(&bench);
    hold(&bench, 4.76, 1.0);
    hold(&bench, 5.24, 1.0);
    for (int i = 0; i < 5; i++) {
        hold(&bench, 4.0, 2.0 / bench.yard.rate_hz);
        hold(&bench, 5.0, 0.3);
    }
    /* Two scans before a loss and one behind it are not three in a row. */
    hold(&bench, 4.0, 2.0 / bench.yard.rate_hz);
    bench.yard.lost = true;
    hold(&bench, 4.0, 1.0 / bench.yard.rate_hz);
    hold(&bench, 5.0, 2.0);
    assert_int_equal(count(&bench), 0);
    yard_close(&bench.yard);
}

/* Chatter at the limit is one event; across to the other side too. */
static void test_chatter_is_one_event(void **state) {
    (void)state;
    struct bench bench;
    open_band(&bench);
    begin(&bench);
    for (int i = 0; i < 20; i++) {
        hold(&bench, 4.5, 0.05);
        hold(&bench, 5.0, 0.1);
    }
    hold(&bench, 5.6, 0.2);
    hold(&bench, 5.0, 4.0);
    assert_int_equal(count(&bench), 2);
    yard_close(&bench.yard);
}

/* ---- steps ---- */

static void open_step(struct bench *bench, double within_s) {
    open_bench(bench, TRIGGER_STEP, 0.5);
    bench->trigger->within_s = within_s;
}

static void test_step_up_and_down(void **state) {
    (void)state;
    static const double to[] = {4.4, 5.6};
    for (size_t i = 0; i < 2; i++) {
        struct bench bench;
        open_step(&bench, 0.01);
        begin(&bench);
        double at_s = bench.yard.now_s;
        hold(&bench, to[i], 5.0);
        assert_int_equal(count(&bench), 1); /* a step has no end */
        const struct yard_note *note = yard_note(&bench.yard, "own", 0);
        assert_true(note->mark.begins);
        assert_near(note->at_s, at_s, 0.001);
        assert_near(note->mark.value, to[i], 0.006);
        assert_non_null(strstr(note->text, i ? "rose by at least 0.6" : "fell by at least 0.6"));
        assert_non_null(strstr(note->text, "within 0.01 s, from 5.00 V"));
        assert_near(note->mark.before_s, 5.0, 1e-9);
        hold(&bench, 5.0, 2.0);
        assert_int_equal(count(&bench), 2); /* and back is one more */
        yard_close(&bench.yard);
    }
}

/* A ramp of `volts` in `seconds`, in stairs of a scan. */
static void ramp(struct bench *bench, double volts, double seconds) {
    double from = bench->yard.volts[bench->lead];
    int scans = (int)lround(seconds * bench->yard.rate_hz);
    for (int i = 1; i <= scans; i++)
        hold(bench, from + volts * i / scans, 1.0 / bench->yard.rate_hz);
    yard_pass(&bench->yard, 2.0);
}

/* As fast as `within` it is a step; four times as slow the same change is none. */
static void test_step_is_fast(void **state) {
    (void)state;
    static const double within[] = {0.01, 0.1, 1.0};
    for (size_t i = 0; i < 3; i++)
        for (int is_slow = 0; is_slow < 2; is_slow++) {
            struct bench bench;
            open_step(&bench, within[i]);
            begin(&bench);
            yard_pass(&bench.yard, within[i]);
            ramp(&bench, -0.6, within[i] * (is_slow ? 4.0 : 0.8));
            assert_int_equal(count(&bench), is_slow ? 0 : 1);
            yard_close(&bench.yard);
        }
}

/* What is smaller, what is shorter than three scans or than `for`, what a loss lies in. */
static void test_no_step(void **state) {
    (void)state;
    for (int is_long = 0; is_long < 2; is_long++) {
        struct bench bench;
        open_step(&bench, 0.01);
        bench.trigger->for_s = is_long ? 0.02 : 0.0;
        begin(&bench);
        double spike_s = is_long ? 0.015 : 2.0 / bench.yard.rate_hz;
        for (int i = 0; i < 20; i++) {
            hold(&bench, i % 2 ? 7.0 : 3.0, spike_s);
            hold(&bench, 5.0, 0.1 + 0.0005 * i);
        }
        hold(&bench, 4.55, 1.0);
        hold(&bench, 5.0, 1.0);
        bench.yard.lost = true;
        bench.yard.now_s += 0.001;
        hold(&bench, 3.0, 2.0);
        assert_int_equal(count(&bench), 0);
        yard_close(&bench.yard);
    }
}

/* Several within a second are one event. */
static void test_steps_in_a_row(void **state) {
    (void)state;
    struct bench bench;
    open_step(&bench, 0.01);
    begin(&bench);
    for (int i = 0; i < 10; i++)
        hold(&bench, i % 2 ? 5.0 : 4.0, 0.2);
    hold(&bench, 5.0, 3.0);
    assert_int_equal(count(&bench), 1);
    yard_close(&bench.yard);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_outside_on_either_side), cmocka_unit_test(test_not_outside),
        cmocka_unit_test(test_chatter_is_one_event),   cmocka_unit_test(test_step_up_and_down),
        cmocka_unit_test(test_step_is_fast),           cmocka_unit_test(test_no_step),
        cmocka_unit_test(test_steps_in_a_row),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
