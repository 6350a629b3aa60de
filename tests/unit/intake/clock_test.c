// SPDX-License-Identifier: Apache-2.0
/*
 * clock_test.c - true rates and times recovered from late arrivals.
 *
 * The arrivals are made here by arithmetic from a known truth: scan n at n / rate, sent whole
 * packets at a time, each held up by a delay that is never negative.
 */
#include "clock.h"
#include "cmocka_helper.h"

#include <math.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define START_NS 7000000000000 /* an arbitrary time after boot */

/* A small generator of our own, so that every run sees the same numbers: 0 <= value < 1. */
static double next_random(uint64_t *state) {
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return (double)(*state >> 11) / 9007199254740992.0;
}

struct line {
    double rate_hz;
    unsigned packet;     /* scans in each */
    double jitter_ns;    /* mean of an exponential delay */
    double burst_ns;     /* bytes are handed on at multiples of this only; 0: at once */
    double stall_chance; /* of a packet */
    double stall_ns;     /* and how long it then is held up */
    uint64_t random;
};

static double true_ns(const struct line *line, uint64_t scan) {
    return START_NS + (double)scan * 1e9 / line->rate_hz;
}

/* When packet's last scan (number `scan`) arrives. */
static int64_t arrival(struct line *line, uint64_t scan) {
    double at = true_ns(line, scan) - line->jitter_ns * log(1.0 - next_random(&line->random));
    if (next_random(&line->random) < line->stall_chance)
        at += line->stall_ns;
    if (line->burst_ns > 0.0)
        at = ceil(at / line->burst_ns) * line->burst_ns;
    return (int64_t)at;
}

/* Feeds `seconds` of the line from scan `from` on; returns the next scan. */
static uint64_t feed(struct intake_clock *clock, struct line *line, uint64_t from, double seconds) {
    uint64_t to = from + (uint64_t)(seconds * line->rate_hz);
    int64_t latest = 0;
    while (from < to) {
        from += line->packet;
        int64_t at = arrival(line, from - 1);
        if (at > latest) /* bytes do not overtake each other */
            latest = at;
        intake_clock_arrived(clock, from, latest);
    }
    return from;
}

static void assert_ppm(const struct intake_clock *clock, double truth, double tolerance) {
    if (fabs(intake_clock_ppm(clock) - truth) > tolerance)
        fail_msg("found %.3f ppm, true %.3f", intake_clock_ppm(clock), truth);
}

static void assert_time(const struct intake_clock *clock, const struct line *line, uint64_t scan,
                        double tolerance_ns) {
    double off = (double)intake_clock_time(clock, scan) - true_ns(line, scan);
    if (fabs(off) > tolerance_ns)
        fail_msg("scan %llu is off by %.0f ns", (unsigned long long)scan, off);
}

static void rate_is_found_under_jitter(void **state) {
    (void)state;
    struct line line = {.rate_hz = 5000.0 * (1.0 + 137e-6),
                        .packet = 20,
                        .jitter_ns = 400e3,
                        .stall_chance = 0.01,
                        .stall_ns = 30e6,
                        .random = 1};
    struct intake_clock *clock;
    assert_int_equal(intake_clock_new(5000.0, &clock), 0);
    uint64_t scans = feed(clock, &line, 0, 300.0);
    assert_ppm(clock, 137.0, 2.0);
    assert_true(fabs(intake_clock_rate(clock) - line.rate_hz) < 0.01);
    /* Late by what the least delayed packets still are: far below the mean delay. */
    assert_time(clock, &line, scans, 100e3);
    assert_time(clock, &line, scans - 100 * 5000, 100e3);
    assert_true(intake_clock_error_ns(clock) < 200e3);
    intake_clock_free(clock);
}

/* USB serial adapters may hold short packets for 16 ms: a sawtooth, not a random delay. */
static void latency_timer_is_seen_through(void **state) {
    (void)state;
    struct line line = {.rate_hz = 1000.0 * (1.0 - 61e-6),
                        .packet = 1,
                        .jitter_ns = 50e3,
                        .burst_ns = 16e6,
                        .random = 2};
    struct intake_clock *clock;
    assert_int_equal(intake_clock_new(1000.0, &clock), 0);
    uint64_t scans = feed(clock, &line, 0, 240.0);
    assert_ppm(clock, -61.0, 5.0);
    assert_time(clock, &line, scans, 1e6); /* one scan: a sixteenth of the timer */
    intake_clock_free(clock);
}

static void crude_claim_is_left_soon(void **state) {
    (void)state;
    struct line line = {.rate_hz = 238.0, .packet = 1, .jitter_ns = 500e3, .random = 3};
    struct intake_clock *clock;
    assert_int_equal(intake_clock_new(250.0, &clock), 0); /* 5 % off */
    uint64_t scans = feed(clock, &line, 0, 10.0);
    assert_true(fabs(intake_clock_rate(clock) / 238.0 - 1.0) < 1e-3);
    assert_time(clock, &line, scans, 2e6);
    intake_clock_free(clock);
}

static void no_claim_at_all(void **state) {
    (void)state;
    struct line line = {.rate_hz = 731.0, .packet = 4, .jitter_ns = 300e3, .random = 4};
    struct intake_clock *clock;
    assert_int_equal(intake_clock_new(0.0, &clock), 0);
    uint64_t scans = feed(clock, &line, 0, 0.2);
    assert_true(fabs(intake_clock_rate(clock) / 731.0 - 1.0) < 0.05);
    scans = feed(clock, &line, scans, 60.0);
    assert_true(fabs(intake_clock_rate(clock) / 731.0 - 1.0) < 20e-6);
    assert_time(clock, &line, scans, 1e6);
    assert_true(intake_clock_ppm(clock) == 0.0);
    intake_clock_free(clock);
}

static void the_claim_holds_at_first(void **state) {
    (void)state;
    struct line line = {.rate_hz = 2000.0, .packet = 10, .jitter_ns = 1e6, .random = 5};
    struct intake_clock *clock;
    assert_int_equal(intake_clock_new(2000.0, &clock), 0);
    (void)feed(clock, &line, 0, 0.2); /* one slice: nothing to fit */
    assert_ppm(clock, 0.0, 1e-6);
    intake_clock_free(clock);
}

static void restart_keeps_the_rate(void **state) {
    (void)state;
    struct line line = {
        .rate_hz = 5000.0 * (1.0 + 137e-6), .packet = 20, .jitter_ns = 400e3, .random = 6};
    struct intake_clock *clock;
    assert_int_equal(intake_clock_new(5000.0, &clock), 0);
    (void)feed(clock, &line, 0, 120.0);
    intake_clock_restart(clock);
    assert_ppm(clock, 137.0, 4.0);
    assert_false(intake_clock_anchor_due(clock, 0)); /* no point, no anchor */

    /* The new epoch counts from 0 again, at another time. */
    const int64_t later = 3600000000000;
    for (uint64_t scan = 20; scan <= 20000; scan += 20)
        intake_clock_arrived(clock, scan, arrival(&line, scan - 1) + later);
    assert_ppm(clock, 137.0, 25.0);
    double off = (double)(intake_clock_time(clock, 20000) - later) - true_ns(&line, 20000);
    assert_true(fabs(off) < 300e3);
    intake_clock_free(clock);
}

/* A board that comes back with another program may run at quite another rate. */
static void restart_at_another_rate(void **state) {
    (void)state;
    struct line fast = {.rate_hz = 5000.0, .packet = 20, .jitter_ns = 100e3, .random = 7};
    struct line slow = {.rate_hz = 2500.0, .packet = 20, .jitter_ns = 100e3, .random = 8};
    struct intake_clock *clock;
    assert_int_equal(intake_clock_new(5000.0, &clock), 0);
    (void)feed(clock, &fast, 0, 60.0);
    intake_clock_restart(clock);
    uint64_t scans = feed(clock, &slow, 0, 10.0);
    assert_true(fabs(intake_clock_rate(clock) / 2500.0 - 1.0) < 1e-3);
    assert_time(clock, &slow, scans, 1e6);
    intake_clock_free(clock);
}

/* The quartz warms up: the window forgets what was. */
static void drift_is_followed(void **state) {
    (void)state;
    struct line cold = {
        .rate_hz = 1000.0 * (1.0 + 100e-6), .packet = 5, .jitter_ns = 100e3, .random = 9};
    struct intake_clock *clock;
    assert_int_equal(intake_clock_new(1000.0, &clock), 0);
    uint64_t scans = feed(clock, &cold, 0, 300.0);
    double turn_ns = true_ns(&cold, scans);
    for (uint64_t scan = 5; scan <= 600000; scan += 5) {
        double at = turn_ns + (double)scan * 1e6 / (1.0 + 120e-6);
        intake_clock_arrived(clock, scans + scan,
                             (int64_t)(at - 100e3 * log(1.0 - next_random(&cold.random))));
    }
    assert_ppm(clock, 120.0, 3.0);
    intake_clock_free(clock);
}

static void anchors_when_due(void **state) {
    (void)state;
    struct line line = {.rate_hz = 1000.0, .packet = 10, .jitter_ns = 50e3, .random = 10};
    struct intake_clock *clock;
    assert_int_equal(intake_clock_new(1000.0, &clock), 0);
    assert_false(intake_clock_anchor_due(clock, 0));
    uint64_t scans = feed(clock, &line, 0, 1.0);
    assert_true(intake_clock_anchor_due(clock, 0)); /* the epoch's first */
    intake_clock_anchored(clock, scans);
    assert_false(intake_clock_anchor_due(clock, scans));

    unsigned anchors = 0;
    for (int second = 0; second < 600; second++) {
        scans = feed(clock, &line, scans, 1.0);
        if (!intake_clock_anchor_due(clock, scans))
            continue;
        anchors++;
        intake_clock_anchored(clock, scans);
    }
    assert_in_range(anchors, 9, 60); /* each minute, and a few while the line settles */
    intake_clock_free(clock);
}

static void exact_times_are_taken_as_they_are(void **state) {
    (void)state;
    struct intake_clock *clock;
    assert_int_equal(intake_clock_new(2000.0, &clock), 0);
    for (uint64_t scan = 0; scan <= 1000000; scan += 1000)
        intake_clock_exact(clock, scan, START_NS + (int64_t)scan * 500000);
    assert_true(intake_clock_time(clock, 0) == START_NS);
    assert_true(intake_clock_time(clock, 1000001) == START_NS + 1000001ll * 500000);
    assert_true(intake_clock_error_ns(clock) == 0.0);
    assert_ppm(clock, 0.0, 1e-9);
    intake_clock_anchored(clock, 1000000);
    assert_false(intake_clock_anchor_due(clock, 1000000 + 2000));
    assert_true(intake_clock_anchor_due(clock, 1000000 + 2000 * 61));
    intake_clock_free(clock);
    intake_clock_free(NULL);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rate_is_found_under_jitter),
        cmocka_unit_test(latency_timer_is_seen_through),
        cmocka_unit_test(crude_claim_is_left_soon),
        cmocka_unit_test(no_claim_at_all),
        cmocka_unit_test(the_claim_holds_at_first),
        cmocka_unit_test(restart_keeps_the_rate),
        cmocka_unit_test(restart_at_another_rate),
        cmocka_unit_test(drift_is_followed),
        cmocka_unit_test(anchors_when_due),
        cmocka_unit_test(exact_times_are_taken_as_they_are),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
