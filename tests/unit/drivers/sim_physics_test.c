// SPDX-License-Identifier: Apache-2.0
/*
 * sim_physics_test.c - the simulated vehicle against published values, measured on its samples.
 */
#include "cmocka_helper.h"
#include "sim_night_helper.h"

#include <errno.h>
#include <math.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#define ATTEMPTS_MOST 16
#define HALF_VOLTS    2.5 /* of a 5 V signal */

static size_t scans_of(const struct night *night, double seconds) {
    return (size_t)(seconds * night->description.rate_hz);
}

/* Turns a minute from the cam: it gives one pulse in two turns of the crank. */
static double rpm_by_cam(const struct night *night, size_t from, size_t to) {
    size_t first = night_fall(night, CAM, HALF_VOLTS, from, to);
    size_t pulses = 0;
    size_t last = first;
    for (size_t at = first; at < to; at = night_fall(night, CAM, HALF_VOLTS, at, to)) {
        last = at;
        pulses++;
    }
    assert_true(pulses >= 2);
    double seconds = (double)(last - first) / night->description.rate_hz;
    return 2.0 * (double)(pulses - 1) / seconds * 60.0;
}

/* BCI table of open-circuit voltage: 12.45 V at 75 %, 12.65 V at 100 % of charge, 12 V flooded. */
static void battery_rests_where_batteries_rest(void **state) {
    (void)state;
    for (int seed = 1; seed <= 5; seed++) {
        char options[64];
        snprintf(options, sizeof options, "seed=%d hours=0.02 attempts=0 rate=200", seed);
        struct night night;
        night_run(&night, options);
        double rest = night_mean(&night, BATTERY, 0, night.scans);
        assert_true(rest > 12.4 && rest < 12.7);
        assert_true(night_most(&night, FEED, 0, night.scans) < 0.05);
        assert_true(night_most(&night, CRANK, 0, night.scans) < 0.05);
        /* A converter never stands still, nor does its noise come round again (every 20 scans are
         * made at once here). */
        size_t made_at_once = 20 * night.inputs;
        for (size_t back = 1; back <= 10; back++)
            assert_memory_not_equal(night.counts, night.counts + back * made_at_once,
                                    made_at_once * sizeof(uint16_t));
        night_free(&night);
    }
}

/*
 * Ford 1993 Mustang workshop manual 03-06: 140 to 220 rpm and 130 to 220 A while cranking. Inrush
 * over running current 4 to 8: from its 800 A maximum load and the Chevrolet Prizm 2001's 780 to
 * 980 A locked. Battery no lower than 9.6 V while cranking: Hyundai Accent, Kia Amanti load tests.
 */
static void starter_draws_and_turns_as_published(void **state) {
    (void)state;
    for (int seed = 1; seed <= 4; seed++) {
        char options[128];
        snprintf(options, sizeof options,
                 "seed=%d hours=0.2 attempts=4 fault=signal-lost fault-attempt=2", seed);
        struct night night;
        night_run(&night, options);
        struct stretch attempt[ATTEMPTS_MOST];
        assert_int_equal(night_attempts(&night, attempt, ATTEMPTS_MOST), 4);
        for (size_t i = 0; i < 4; i++) {
            size_t from = attempt[i].from;
            /* One compression of four cylinders at 180 rpm takes 0.167 s: two of them. */
            size_t steady = from + scans_of(&night, 0.3);
            size_t steady_to = steady + scans_of(&night, 0.333);
            double amps = night_mean(&night, CURRENT, steady, steady_to);
            double inrush = night_most(&night, CURRENT, from, from + scans_of(&night, 0.1));
            assert_true(amps > 130.0 && amps < 220.0);
            assert_true(inrush > 4.0 * amps && inrush < 8.0 * amps);
            assert_true(night_mean(&night, BATTERY, steady, steady_to) > 9.6);
            double lowest = night_least(&night, BATTERY, from, from + scans_of(&night, 0.05));
            assert_true(lowest > 7.0 && lowest < 9.0);
        }
        /* The one that does not start is long enough for its cam pulses. */
        double rpm = rpm_by_cam(&night, attempt[1].from + scans_of(&night, 0.5), attempt[1].to);
        assert_true(rpm > 140.0 && rpm < 220.0);
        night_free(&night);
    }
}

/* Frequency of the current's ripple, by the rises through its mean; 10 A of hysteresis. */
static double ripple_hz(const struct night *night, size_t from, size_t to) {
    double mean = night_mean(night, CURRENT, from, to);
    bool low = false;
    size_t first = 0;
    size_t last = 0;
    size_t rises = 0;
    for (size_t scan = from; scan < to; scan++) {
        double amps = night_value(night, CURRENT, scan);
        if (amps < mean - 10.0)
            low = true;
        if (!low || amps < mean)
            continue;
        low = false;
        last = scan;
        if (rises++ == 0)
            first = scan;
    }
    assert_true(rises > 4);
    return (double)(rises - 1) * night->description.rate_hz / (double)(last - first);
}

/* Four-stroke geometry: compressions a second = rpm * cylinders / 120. */
static void ripple_follows_speed_and_cylinders(void **state) {
    (void)state;
    static const int cylinders[] = {3, 4, 5, 6};
    for (size_t i = 0; i < sizeof cylinders / sizeof cylinders[0]; i++) {
        char options[128];
        snprintf(options, sizeof options,
                 "cylinders=%d hours=0.015 attempts=1 fault=feed-collapse fault-attempt=1",
                 cylinders[i]);
        struct night night;
        night_run(&night, options);
        struct stretch attempt[ATTEMPTS_MOST];
        assert_int_equal(night_attempts(&night, attempt, ATTEMPTS_MOST), 1);
        size_t from = attempt[0].from + scans_of(&night, 0.5);
        double rpm = rpm_by_cam(&night, from, attempt[0].to);
        double expected_hz = rpm * cylinders[i] / 120.0;
        assert_true(fabs(ripple_hz(&night, from, attempt[0].to) - expected_hz) <
                    0.04 * expected_hz);
        night_free(&night);
    }
}

/* 58 teeth between gaps of 18 degrees from edge to edge on a 60-2 wheel (see sim_parts_test.c);
 * one cam pulse in two turns. At a rate that resolves the teeth of a running engine. */
static void wheel_and_cam_keep_step(void **state) {
    (void)state;
    struct night night;
    night_run(&night, "hours=0.015 attempts=1 wheel=60-2 rate=20000");
    struct stretch attempt[ATTEMPTS_MOST];
    assert_int_equal(night_attempts(&night, attempt, ATTEMPTS_MOST), 1);
    size_t from = attempt[0].to + scans_of(&night, 2.0);
    size_t to = from + scans_of(&night, 3.0);
    size_t cam = night_fall(&night, CAM, HALF_VOLTS, from, to);
    size_t checked = 0;
    for (;;) {
        size_t next = night_fall(&night, CAM, HALF_VOLTS, cam, to);
        if (next == to)
            break;
        assert_int_equal(night_falls(&night, CRANK, HALF_VOLTS, cam, next), 2 * 58);
        double rpm = 120.0 * night.description.rate_hz / (double)(next - cam);
        assert_true(rpm > 700.0 && rpm < 1100.0);
        cam = next;
        checked++;
    }
    assert_true(checked > 10);

    /* The gap: three pitches, its neighbours' mean being one; the engine's speed swings a little.
     */
    size_t edge[4];
    size_t gaps = 0;
    edge[0] = night_fall(&night, CRANK, HALF_VOLTS, from, to);
    for (size_t i = 1; i < 4; i++)
        edge[i] = night_fall(&night, CRANK, HALF_VOLTS, edge[i - 1], to);
    while (edge[3] < to) {
        double middle = (double)(edge[2] - edge[1]);
        double beside = (double)(edge[3] - edge[2] + edge[1] - edge[0]) / 2.0;
        if (middle > 2.0 * beside) {
            assert_true(fabs(middle / beside - 3.0) < 0.2);
            gaps++;
        }
        edge[0] = edge[1];
        edge[1] = edge[2];
        edge[2] = edge[3];
        edge[3] = night_fall(&night, CRANK, HALF_VOLTS, edge[2], to);
    }
    assert_true(gaps > 20);
    night_free(&night);
}

/* Charging voltage 13 to 14.5 V: Ammann ARR 1575 manual p.258. */
static bool charges_soon_after(const struct night *night, const struct stretch *attempt) {
    size_t from = attempt->to + scans_of(night, 5.0);
    double volts = night_mean(night, BATTERY, from, from + scans_of(night, 0.5));
    assert_true(volts < 14.5);
    return volts > 13.0;
}

/* The 5 V feed of a crank sensor and its levels: Chrysler PT Cruiser, Pacifica 2007 (5 V; low
 * below 0.3 V). A feed stays within 0.25 V of it. */
static void feed_collapses_in_its_attempt_alone(void **state) {
    (void)state;
    struct night night;
    night_run(&night, "hours=0.25 attempts=5 fault=feed-collapse fault-attempt=4 seed=11");
    struct stretch attempt[ATTEMPTS_MOST];
    assert_int_equal(night_attempts(&night, attempt, ATTEMPTS_MOST), 5);
    for (size_t i = 0; i < 5; i++) {
        size_t from = attempt[i].from;
        size_t to = attempt[i].to;
        bool collapsed = night_least(&night, FEED, from, to) < 4.75;
        assert_int_equal(collapsed, i == 3);
        assert_int_equal(charges_soon_after(&night, &attempt[i]), i != 3);
        assert_true(night_least(&night, FEED, from - scans_of(&night, 0.5), from) > 4.75);
    }

    size_t onset = night_fall(&night, FEED, 4.75, attempt[3].from, attempt[3].to);
    double onset_s = (double)(onset - attempt[3].from) / night.description.rate_hz;
    assert_true(onset_s > 0.2 && onset_s < 0.8);
    /* The battery holds, the engine goes on turning, the crank signal stands still at its high. */
    size_t low = 0;
    size_t in_a_row = 0;
    double battery = 0.0;
    for (size_t scan = onset; scan < attempt[3].to; scan++) {
        in_a_row = night_value(&night, FEED, scan) < 1.0 ? in_a_row + 1 : 0;
        if (in_a_row < 20)
            continue;
        low++;
        battery += night_value(&night, BATTERY, scan);
        assert_true(night_value(&night, BATTERY, scan) > 9.4);
        assert_true(night_value(&night, CRANK, scan) > 4.5);
    }
    assert_true(low > scans_of(&night, 1.0));
    assert_true(battery / (double)low > 9.6);
    assert_true(rpm_by_cam(&night, onset, attempt[3].to) > 140.0);
    /* It is well again as soon as nothing shakes it: a meter in the morning finds nothing. */
    size_t after = attempt[3].to + scans_of(&night, 0.4);
    assert_true(night_least(&night, FEED, after, after + scans_of(&night, 0.4)) > 4.75);
    night_free(&night);
}

static void lost_signal_has_good_feed_and_return(void **state) {
    (void)state;
    struct night night;
    night_run(&night, "hours=0.015 attempts=1 fault=signal-lost fault-attempt=1");
    struct stretch attempt[ATTEMPTS_MOST];
    assert_int_equal(night_attempts(&night, attempt, ATTEMPTS_MOST), 1);
    size_t from = attempt[0].from;
    size_t to = attempt[0].to;
    assert_true(night_least(&night, FEED, from, to) > 4.75);
    assert_true(night_most(&night, RETURN, from, to) < 0.3);
    size_t turns = (size_t)(rpm_by_cam(&night, from, to) / 60.0 * (double)(to - from) /
                            night.description.rate_hz);
    size_t falls = night_falls(&night, CRANK, HALF_VOLTS, from, to);
    assert_true(falls > 20 && falls < turns * 35 / 2);
    assert_false(charges_soon_after(&night, &attempt[0]));
    night_free(&night);
}

static void raised_return_lifts_the_low_level(void **state) {
    (void)state;
    struct night night;
    night_run(&night, "hours=0.015 attempts=1 fault=return-rise fault-attempt=1");
    struct stretch attempt[ATTEMPTS_MOST];
    assert_int_equal(night_attempts(&night, attempt, ATTEMPTS_MOST), 1);
    size_t from = attempt[0].from + scans_of(&night, 0.6);
    size_t to = attempt[0].to;
    size_t risen = 0;
    for (size_t scan = from; scan < to; scan++) {
        if (night_value(&night, RETURN, scan) < 0.7)
            continue;
        risen++;
        assert_true(night_value(&night, CRANK, scan) > night_value(&night, RETURN, scan));
    }
    assert_true(risen > (to - from) / 2);
    assert_true(night_least(&night, FEED, from, to) > 4.75);
    assert_true(night_falls(&night, CRANK, HALF_VOLTS, from, to) > 100);
    assert_false(charges_soon_after(&night, &attempt[0]));
    night_free(&night);
}

/* Below 9.6 V while cranking suspect battery or starter: Chrysler Crossfire 2004, Cold Cranking
 * Test. Slow: below the 140 rpm of the manual above. */
static void low_battery_cranks_slowly(void **state) {
    (void)state;
    struct night night;
    night_run(&night, "hours=0.03 attempts=2 fault=battery-low fault-attempt=1");
    struct stretch attempt[ATTEMPTS_MOST];
    assert_int_equal(night_attempts(&night, attempt, ATTEMPTS_MOST), 2);
    size_t from = attempt[0].from + scans_of(&night, 0.5);
    assert_true(night_mean(&night, BATTERY, from, attempt[0].to) < 9.6);
    assert_true(rpm_by_cam(&night, from, attempt[0].to) < 140.0);
    assert_true(night_least(&night, FEED, from, attempt[0].to) > 4.75);
    assert_false(charges_soon_after(&night, &attempt[0]));
    assert_true(charges_soon_after(&night, &attempt[1]));
    night_free(&night);
}

/* With and without its fault a night is the same, count by count, until the contact opens. */
static void fault_changes_nothing_before_it(void **state) {
    (void)state;
    struct night good;
    struct night bad;
    night_run(&good, "hours=0.1 attempts=2 seed=3");
    night_run(&bad, "hours=0.1 attempts=2 seed=3 fault=feed-collapse fault-attempt=2");
    assert_int_equal(good.scans, bad.scans);
    struct stretch attempt[ATTEMPTS_MOST];
    assert_int_equal(night_attempts(&bad, attempt, ATTEMPTS_MOST), 2);
    size_t onset = night_fall(&bad, FEED, 4.0, attempt[1].from, attempt[1].to);
    assert_true(onset < attempt[1].to);
    assert_memory_equal(good.counts, bad.counts, (onset - 2) * good.inputs * sizeof(uint16_t));
    night_free(&good);
    night_free(&bad);
}

/* Behind a multiplexer the current, five inputs on, is taken later: while it rises it reads more
 * than without skew, and less than a whole scan later. */
static void skew_takes_inputs_one_after_the_other(void **state) {
    (void)state;
    struct night plain;
    struct night skewed;
    night_run(&plain, "hours=0.015 attempts=1");
    night_run(&skewed, "hours=0.015 attempts=1 skew=0.00006");
    assert_true(fabs(skewed.description.skew_s - 0.00006) < 1e-12);
    struct stretch attempt[ATTEMPTS_MOST];
    assert_int_equal(night_attempts(&plain, attempt, ATTEMPTS_MOST), 1);
    size_t at = attempt[0].from;
    double rising = night_value(&skewed, CURRENT, at);
    assert_true(rising > night_value(&plain, CURRENT, at) + 20.0);
    assert_true(rising < night_value(&plain, CURRENT, at + 1));
    night_free(&plain);
    night_free(&skewed);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(battery_rests_where_batteries_rest),
        cmocka_unit_test(starter_draws_and_turns_as_published),
        cmocka_unit_test(ripple_follows_speed_and_cylinders),
        cmocka_unit_test(wheel_and_cam_keep_step),
        cmocka_unit_test(feed_collapses_in_its_attempt_alone),
        cmocka_unit_test(lost_signal_has_good_feed_and_return),
        cmocka_unit_test(raised_return_lifts_the_low_level),
        cmocka_unit_test(low_battery_cranks_slowly),
        cmocka_unit_test(fault_changes_nothing_before_it),
        cmocka_unit_test(skew_takes_inputs_one_after_the_other),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
