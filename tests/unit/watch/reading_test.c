// SPDX-License-Identifier: Apache-2.0
/*
 * reading_test.c - live readings against arithmetic; level triggers and push-buttons; two boards
 * on two threads.
 */
#include "cmocka_helper.h"
#include "yard_helper.h"

#include <math.h>
#include <pthread.h>
#include <string.h>

/* 20 V over 4095 counts: a value is right within half a count. */
#define HALF_COUNT 0.00245

static void test_levels(void **state) {
    (void)state;
    struct yard yard;
    struct watch_reading reading;
    yard_open(&yard);
    size_t lead = yard_lead(&yard, "reference", ROLE_REFERENCE, 2.5);
    yard_watch(&yard);
    yard_pass(&yard, 1.0);
    yard.volts[lead] = 2.7;
    yard_pass(&yard, 0.25);
    watch_reading(yard.watch, lead, &reading);
    assert_true(reading.fresh);
    assert_near(reading.newest, 2.7, HALF_COUNT);
    assert_near(reading.highest, 2.7, HALF_COUNT);
    assert_near(reading.lowest, 2.5, HALF_COUNT);
    /* 0.25 s of the last 0.5 s to 0.55 s. */
    assert_true(reading.average > 2.5 + 0.2 * 0.25 / 0.55 - HALF_COUNT);
    assert_true(reading.average < 2.5 + 0.2 * 0.25 / 0.50 + HALF_COUNT);
    assert_true(isnan(reading.duty) && isnan(reading.edges_per_s) && isnan(reading.low));
    yard_pass(&yard, 0.6);
    watch_reading(yard.watch, lead, &reading);
    assert_near(reading.lowest, 2.7, HALF_COUNT);
    assert_near(reading.average, 2.7, HALF_COUNT);
    assert_near(reading.latched_low, 2.5, HALF_COUNT); /* not forgotten */
    watch_latch(yard.watch);
    watch_reading(yard.watch, lead, &reading);
    assert_true(isnan(reading.latched_low));
    yard_pass(&yard, 0.1);
    watch_reading(yard.watch, lead, &reading);
    assert_near(reading.latched_low, 2.7, HALF_COUNT);
    yard_close(&yard);
}

/* A falling scale: more counts are less volts. */
static void test_falling_scale(void **state) {
    (void)state;
    struct yard yard;
    struct watch_reading reading;
    yard_open(&yard);
    size_t lead = yard_lead(&yard, "signal", ROLE_SIGNAL, 2.5);
    yard.leads[lead].scale = scale_line(-20.0 / 4095.0, 20.0);
    yard.hertz[lead] = 50.0;
    yard_watch(&yard);
    yard_pass(&yard, 2.0);
    watch_reading(yard.watch, lead, &reading);
    assert_near(reading.lowest, 0.04, HALF_COUNT);
    assert_near(reading.highest, 4.98, HALF_COUNT);
    assert_near(reading.low, 0.04, HALF_COUNT);
    assert_near(reading.high, 4.98, HALF_COUNT);
    assert_near(reading.latched_high, 4.98, HALF_COUNT);
    yard_close(&yard);
}

static void test_signal(void **state) {
    (void)state;
    struct yard yard;
    struct watch_reading reading;
    yard_open(&yard);
    size_t lead = yard_lead(&yard, "signal", ROLE_SIGNAL, 5.0);
    yard_watch(&yard);
    yard_pass(&yard, 1.0);
    watch_reading(yard.watch, lead, &reading);
    assert_true(isnan(reading.edges_per_s)); /* it rests: one level, no edges */
    assert_true(isnan(reading.duty));
    yard.hertz[lead] = 40.0;
    yard_pass(&yard, 2.0);
    watch_reading(yard.watch, lead, &reading);
    assert_near(reading.low, 0.04, HALF_COUNT);
    assert_near(reading.high, 4.98, HALF_COUNT);
    assert_near(reading.duty, 0.5, 0.03);
    assert_near(reading.edges_per_s, 80.0, 4.0);
    /* What an averaging meter would show: low + duty x swing. */
    assert_near(reading.average, 0.04 + 0.5 * 4.94, 0.1);
    yard.hertz[lead] = 0.0;
    yard_pass(&yard, 1.0);
    watch_reading(yard.watch, lead, &reading);
    assert_true(isnan(reading.edges_per_s));
    yard_close(&yard);
}

static void test_below(void **state) {
    (void)state;
    struct yard yard;
    yard_open(&yard);
    size_t lead = yard_lead(&yard, "supply", ROLE_OTHER, 12.0);
    struct hookup_trigger *trigger = yard_trigger(&yard, "low-supply", lead);
    trigger->kind = TRIGGER_BELOW;
    trigger->level = 9.0;
    trigger->hysteresis = 0.5;
    trigger->for_s = 0.1;
    yard_watch(&yard);
    yard_pass(&yard, 2.0);
    yard.volts[lead] = 8.0; /* too short */
    yard_pass(&yard, 0.05);
    yard.volts[lead] = 12.0;
    yard_pass(&yard, 2.0);
    assert_int_equal(yard.note_count, 0);
    double at_s = yard.now_s;
    yard.volts[lead] = 8.0;
    yard_pass(&yard, 0.5);
    assert_int_equal(yard_count(&yard, "low-supply"), 1);
    const struct yard_note *begins = yard_note(&yard, "low-supply", 0);
    assert_near(begins->at_s, at_s, 0.002);
    assert_near(begins->said_s, at_s + 0.1, 0.03);
    assert_near(begins->mark.before_s, 5.0, 1e-9);
    assert_near(begins->mark.after_s, 10.0, 1e-9);
    yard.volts[lead] = 9.3; /* within the hysteresis: still the same */
    yard_pass(&yard, 2.0);
    assert_int_equal(yard_count(&yard, "low-supply"), 1);
    yard.volts[lead] = 9.7;
    yard_pass(&yard, 2.0);
    assert_int_equal(yard_count(&yard, "low-supply"), 2);
    assert_near(yard_note(&yard, "low-supply", 1)->at_s, at_s + 2.5, 0.002);
    yard_close(&yard);
}

static void test_when(void **state) {
    (void)state;
    struct yard yard;
    yard_open(&yard);
    size_t lead = yard_lead(&yard, "battery", ROLE_BATTERY, 12.6);
    struct hookup_trigger *trigger = yard_trigger(&yard, "deep", lead);
    trigger->kind = TRIGGER_BELOW;
    trigger->level = 9.0; /* only the first 40 ms of the profile are below */
    trigger->for_s = 0.005;
    trigger->when = 1u << PHASE_CRANKING;
    struct hookup_trigger *never = yard_trigger(&yard, "never", lead);
    *never = *trigger;
    never->name = "never";
    never->when = 1u << PHASE_RUNNING;
    yard_watch(&yard);
    yard_pass(&yard, 3.0);
    yard_engage(&yard);
    yard_pass(&yard, 2.0);
    yard_release(&yard);
    yard_pass(&yard, 3.0);
    assert_int_equal(yard_count(&yard, "deep"), 2);
    assert_near(yard_note(&yard, "deep", 0)->at_s, 1003.0, 0.01);
    assert_near(yard_note(&yard, "deep", 0)->mark.value, 8.0, 0.1);
    assert_int_equal(yard_count(&yard, "never"), 0);
    yard_close(&yard);
}

/* A button to the battery, and one that pulls a resting 5 V down; both bounce. */
static void test_switch(void **state) {
    (void)state;
    static const double rest[] = {0.0, 5.0};
    static const double pressed[] = {12.6, 0.0};
    for (int kind = 0; kind < 2; kind++) {
        struct yard yard;
        yard_open(&yard);
        size_t lead = yard_lead(&yard, "button", ROLE_SWITCH, rest[kind]);
        yard_watch(&yard);
        yard_pass(&yard, 3.0);
        assert_int_equal(yard.note_count, 0);
        for (int i = 0; i < 4; i++) {
            yard.volts[lead] = pressed[kind];
            yard_pass(&yard, 0.004);
            yard.volts[lead] = rest[kind];
            yard_pass(&yard, 0.003);
        }
        double at_s = yard.now_s;
        yard.volts[lead] = pressed[kind];
        yard_pass(&yard, 0.4);
        yard.volts[lead] = rest[kind];
        yard_pass(&yard, 3.0);
        assert_int_equal(yard_count(&yard, "switch"), 2);
        const struct yard_note *press = yard_note(&yard, "switch", 0);
        assert_true(press->mark.begins);
        assert_near(press->at_s, at_s, 0.002);
        assert_near(press->mark.before_s, 20.0, 1e-9);
        assert_false(yard_note(&yard, "switch", 1)->mark.begins);
        /* Letting go is a note only. */
        assert_near(yard_note(&yard, "switch", 1)->mark.after_s, 0.0, 1e-9);
        yard_close(&yard);
    }
}

/* ---- threads ---- */

#define THREAD_RUNS 400

struct pair {
    struct yard yard; /* the vehicle and its hookup */
    struct hookup_board boards[2];
    pthread_mutex_t lock;
    pthread_barrier_t step; /* boards lag each other by a block at most */
    unsigned engaged, marks;
};

static void on_pair_cranking(void *context, bool engaged, int64_t elapsed_ns) {
    struct pair *pair = context;
    (void)elapsed_ns;
    pthread_mutex_lock(&pair->lock);
    pair->engaged += engaged;
    pthread_mutex_unlock(&pair->lock);
}

static void on_pair_mark(void *context, const struct watch_mark *mark) {
    struct pair *pair = context;
    (void)watch_attempts(pair->yard.watch);
    pthread_mutex_lock(&pair->lock);
    pair->marks += mark->begins;
    pthread_mutex_unlock(&pair->lock);
}

/* One board: 100 scans of 1 ms a run; the battery's sags between 10 s and 14 s. */
static void push_board(struct pair *pair, size_t board) {
    int32_t counts[100];
    const int32_t *inputs[1] = {counts};
    for (size_t run = 0; run < THREAD_RUNS; run++) {
        double time_s = 500.0 + (double)run * 0.1;
        pthread_barrier_wait(&pair->step);
        for (size_t i = 0; i < 100; i++) {
            double t = (double)run * 0.1 + (double)i * 0.001;
            double volts = 5.0;
            if (board == 0)
                volts =
                    t < 10.0 || t > 14.0 ? 12.6 : (t < 10.05 ? 8.0 : 10.2 + 0.5 * sin(12.0 * t));
            counts[i] = (int32_t)lround(volts * 4095.0 / 20.0);
        }
        struct record_run next = {.stream = board,
                                  .inputs = 1,
                                  .scans = 100,
                                  .time_s = time_s,
                                  .period_s = 0.001,
                                  .counts = inputs};
        watch_run(pair->yard.watch, &next);
    }
}

static void *second_board(void *argument) {
    push_board(argument, 1);
    return NULL;
}

static void *reader(void *argument) {
    struct pair *pair = argument;
    for (int i = 0; i < 200; i++) {
        struct watch_reading reading;
        watch_reading(pair->yard.watch, (size_t)i % 2, &reading);
        (void)watch_cranking(pair->yard.watch);
        if (i % 50 == 0)
            watch_latch(pair->yard.watch);
    }
    return NULL;
}

static void test_two_boards(void **state) {
    (void)state;
    struct pair pair = {.boards = {{.name = "one"}, {.name = "two"}}};
    pthread_t threads[2];
    yard_open(&pair.yard);
    pthread_mutex_init(&pair.lock, NULL);
    pthread_barrier_init(&pair.step, NULL, 2);
    yard_lead(&pair.yard, "battery", ROLE_BATTERY, 12.6);
    size_t feed = yard_lead(&pair.yard, "feed", ROLE_FEED, 5.0);
    pair.yard.leads[feed].stream = 1;
    pair.yard.leads[feed].input = 0;
    pair.yard.hookup.board_count = 2;
    pair.yard.hookup.boards = pair.boards;
    const struct watch_sinks sinks = {&pair, on_pair_cranking, on_pair_mark};
    assert_int_equal(watch_new(&pair.yard.hookup, &sinks, &pair.yard.watch), 0);
    assert_int_equal(watch_fitted(pair.yard.watch, 0), 0);
    assert_int_equal(watch_fitted(pair.yard.watch, 1), 0);
    assert_int_equal(pthread_create(&threads[0], NULL, second_board, &pair), 0);
    assert_int_equal(pthread_create(&threads[1], NULL, reader, &pair), 0);
    push_board(&pair, 0);
    pthread_join(threads[0], NULL);
    pthread_join(threads[1], NULL);
    assert_int_equal(watch_attempts(pair.yard.watch), 1);
    assert_int_equal(pair.engaged, 1);
    assert_int_equal(pair.marks, 1);
    pthread_barrier_destroy(&pair.step);
    pthread_mutex_destroy(&pair.lock);
    yard_close(&pair.yard);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_levels),     cmocka_unit_test(test_falling_scale),
        cmocka_unit_test(test_signal),     cmocka_unit_test(test_below),
        cmocka_unit_test(test_when),       cmocka_unit_test(test_switch),
        cmocka_unit_test(test_two_boards),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
