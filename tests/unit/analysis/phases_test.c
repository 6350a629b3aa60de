// SPDX-License-Identifier: Apache-2.0
/*
 * phases_test.c - phases and crankings from published starting profiles and from look-alikes.
 */
#include "cmocka_helper.h"
#include "phases.h"
#include "sheet_helper.h"

#include <math.h>
#include <stdio.h>

#define MOST_CHANGES 64

struct story {
    size_t count;
    struct phase_change change[MOST_CHANGES];
    double seen_s[MOST_CHANGES]; /* samples up to here had been pushed */
    double rest;
};

/* Pushes the whole sheet in runs of `run_s` and writes down every change. */
static struct story tell(struct sheet *sheet, double run_s) {
    struct story story = {0};
    struct limits limits = limits_default(sheet->vehicle.system_volts);
    struct record record = sheet_record(sheet);
    struct phases *phases = NULL;
    struct record_run run;
    sheet->run_scans = (size_t)fmax(1.0, run_s * sheet->rate_hz);
    assert_int_equal(phases_new(&sheet->vehicle, &limits, &phases), 0);
    assert_int_equal(record.seek(record.context, record.from_s), 0);
    while (record.next(record.context, &run) == 1) {
        struct phase_change change;
        phases_push(phases, &run);
        while (phases_take(phases, &change)) {
            assert_true(story.count < MOST_CHANGES);
            story.seen_s[story.count] = run.time_s + run.period_s * (double)run.scans;
            story.change[story.count++] = change;
        }
    }
    phases_finish(phases);
    while (phases_take(phases, &story.change[story.count])) {
        story.seen_s[story.count] = record.to_s;
        story.count++;
        assert_true(story.count < MOST_CHANGES);
    }
    story.rest = phases_rest_volts(phases);
    phases_free(phases);
    return story;
}

static size_t crankings(const struct story *story) {
    size_t count = 0;
    for (size_t i = 0; i < story->count; i++)
        count += story->change[i].phase == PHASE_CRANKING;
    return count;
}

/* Position of the cranking number `n`, from 0. */
static size_t cranking(const struct story *story, size_t n) {
    for (size_t i = 0; i < story->count; i++) {
        if (story->change[i].phase == PHASE_CRANKING && n-- == 0)
            return i;
    }
    fail_msg("no such cranking");
    return 0;
}

static void print_story(const struct story *story) {
    for (size_t i = 0; i < story->count; i++)
        print_message("   %s at %.4f (seen %.3f)\n", phase_name(story->change[i].phase),
                      story->change[i].at_s, story->seen_s[i]);
}

/*
 * Published starting profiles, all at second hand (generator set-up files that name
 * standard, year and clause; plateau is the mean of the 2 Hz, 2 V peak-to-peak ripple).
 */
static const struct {
    const char *source;
    double system_volts;
    struct start_profile profile;
} profiles[] = {
    /* ISO 16750-2:2003 4.5.3 level I, 12 V */
    {"ISO 16750-2:2003 4.5.3 I", 12, {12.0, 0.005, 8.0, 0.015, 0.05, 10.5, 1.0, 1.0, 0.04}},
    /* ISO 16750-2:2006 4.6.3 level III, 24 V */
    {"ISO 16750-2:2006 4.6.3 III", 24, {24.0, 0.01, 6.0, 0.05, 0.05, 11.0, 1.0, 1.0, 0.04}},
    /* ISO 16750-2:2003 4.5.3, 24 V, 20 s plateau */
    {"ISO 16750-2:2003 4.5.3, 24 V", 24, {24.0, 0.01, 8.0, 0.05, 0.05, 16.0, 1.0, 20.0, 0.04}},
    /* LV 124 = VW 80000:2013 6.11 cold start normal */
    {"VW 80000:2013 6.11 cold normal", 12, {11.0, 0.0, 4.5, 0.019, 0.05, 7.5, 1.0, 10.0, 0.1}},
    /* GS 95003-2:2007 5.2.1.5 cranking level IIp */
    {"GS 95003-2:2007 5.2.1.5 IIp", 12, {12.0, 0.001, 4.5, 0.019, 0.05, 7.5, 1.0, 4.0, 0.1}},
    /* DC-10615:2007 7.5 warm cranking, its second ramp left out */
    {"DC-10615:2007 7.5 warm", 12, {11.0, 0.001, 7.0, 0.0, 0.199, 9.0, 0.0, 1.9, 0.1}},
    /* DC-10615:2007 7.4 cold cranking (plateau inferred there) */
    {"DC-10615:2007 7.4 cold", 12, {12.6, 0.005, 5.0, 0.015, 0.05, 6.5, 0.0, 10.0, 0.005}},
};

static void check_profile(size_t which, double rate_hz) {
    const struct start_profile *profile = &profiles[which].profile;
    struct sheet *sheet =
        sheet_new(rate_hz, 0.0, profile->plateau_s * 2.0 + 8.0, profiles[which].system_volts);
    size_t battery =
        sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, profiles[which].system_volts * 1.7);
    double fall[2] = {2.0, 2.0 + profile->plateau_s + 3.0};
    double rise[2];
    sheet->noise[battery] = 0.01;
    sheet_hold(sheet, battery, 0.0, 1e9, profile->rest);
    for (size_t i = 0; i < 2; i++)
        rise[i] = sheet_start(sheet, battery, fall[i], profile);
    struct story story = tell(sheet, 0.02);
    if (crankings(&story) != 2)
        print_story(&story);
    assert_int_equal(crankings(&story), 2);
    for (size_t i = 0; i < 2; i++) {
        size_t at = cranking(&story, i);
        /* the fall, to one scan or 3 ms; told within 100 ms of it (and of a run) */
        assert_near(story.change[at].at_s, fall[i], fmax(0.003, 1.5 / rate_hz));
        assert_true(story.seen_s[at] <= fall[i] + 0.1 + 0.02);
        if (story.change[at + 1].at_s < rise[i] - 0.003)
            print_story(&story);
        /* the end: on the rise */
        assert_true(at + 1 < story.count);
        assert_true(story.change[at + 1].at_s >= rise[i] - 0.003);
        assert_true(story.change[at + 1].at_s <= rise[i] + profile->rise_s + 0.01);
        assert_true(story.seen_s[at + 1] <= rise[i] + profile->rise_s + 1.0);
    }
    assert_near(story.rest, profile->rest, 0.05);
    sheet_free(sheet);
}

static void profiles_are_cranked(void **state) {
    (void)state;
    static const double rates[] = {500.0, 2000.0, 10000.0, 100000.0};
    for (size_t i = 0; i < sizeof profiles / sizeof profiles[0]; i++) {
        for (size_t rate = 0; rate < sizeof rates / sizeof rates[0]; rate++) {
            if (rates[rate] * profiles[i].profile.plateau_s > 2e6)
                continue; /* the same shape at a tenth of the samples was just tried */
            print_message("%s at %g S/s\n", profiles[i].source, rates[rate]);
            check_profile(i, rates[rate]);
        }
    }
}

/* MBN LV 124:2013 6.11 warm start long, at second hand: steps without ripple. */
static void warm_start_is_cranked(void **state) {
    (void)state;
    struct sheet *sheet = sheet_new(5000.0, 0.0, 6.0, 12.0);
    size_t battery = sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 20.0);
    sheet_hold(sheet, battery, 0.0, 9.0, 11.0);
    sheet_hold(sheet, battery, 2.0, 2.015, 7.0);
    sheet_ramp(sheet, battery, 2.015, 2.090, 7.0, 8.0);
    sheet_hold(sheet, battery, 2.090, 2.330, 8.0);
    sheet_ramp(sheet, battery, 2.330, 2.400, 8.0, 9.0);
    sheet_hold(sheet, battery, 2.400, 3.000, 9.0);
    struct story story = tell(sheet, 0.25);
    assert_int_equal(crankings(&story), 1);
    size_t at = cranking(&story, 0);
    assert_near(story.change[at].at_s, 2.0, 0.003);
    assert_near(story.change[at + 1].at_s, 3.0, 0.005);
    sheet_free(sheet);
}

/* Loads that are no starter: none of them may be a cranking. */
static void loads_are_not_cranked(void **state) {
    (void)state;
    struct sheet *sheet = sheet_new(2000.0, 0.0, 60.0, 12.0);
    size_t battery = sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 20.0);
    sheet->noise[battery] = 0.015;
    sheet_hold(sheet, battery, 0.0, 99.0, 12.6);
    /* glow plugs: 1.3 V at first, cooling off over seconds to 0.9 V; then off */
    sheet_ramp(sheet, battery, 5.0, 8.0, 11.3, 11.6);
    sheet_hold(sheet, battery, 8.0, 15.0, 11.7);
    /* lamps: a bulb's inrush, then little */
    sheet_ramp(sheet, battery, 20.0, 20.03, 11.9, 12.3);
    sheet_hold(sheet, battery, 20.03, 25.0, 12.35);
    /* a fuel pump for two seconds */
    sheet_hold(sheet, battery, 28.0, 30.0, 12.4);
    /* a self-test pumps twice, short */
    sheet_hold(sheet, battery, 33.0, 33.15, 12.1);
    sheet_hold(sheet, battery, 33.4, 33.55, 12.1);
    /* a steady heater of 0.9 V, switched by a slow relay; glow control at 40 Hz */
    sheet_hold(sheet, battery, 36.0, 42.0, 11.7);
    sheet_hold(sheet, battery, 45.0, 50.0, 11.6);
    sheet_add_sine(sheet, battery, 45.0, 50.0, 0.3, 40.0);
    /* the lead is pulled off and put back */
    sheet_hold(sheet, battery, 54.0, 56.0, 0.0);
    struct story story = tell(sheet, 0.5);
    if (crankings(&story) != 0)
        print_story(&story);
    assert_int_equal(crankings(&story), 0);
    sheet_free(sheet);
}

/* Glow plugs first, then the starter: one cranking, from the loaded level. */
static void cranking_after_glowing(void **state) {
    (void)state;
    struct sheet *sheet = sheet_new(2000.0, 0.0, 20.0, 12.0);
    size_t battery = sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 20.0);
    static const struct start_profile starter = {11.7, 0.004, 8.2, 0.01, 0.06,
                                                 10.2, 0.3,   3.0, 0.05};
    sheet_hold(sheet, battery, 0.0, 99.0, 12.6);
    sheet_hold(sheet, battery, 3.0, 9.0, 11.7);
    double rise = sheet_start(sheet, battery, 9.0, &starter);
    sheet_hold(sheet, battery, rise + 0.05, 20.0, 11.8);
    struct story story = tell(sheet, 0.5);
    assert_int_equal(crankings(&story), 1);
    assert_near(story.change[cranking(&story, 0)].at_s, 9.0, 0.003);
    assert_near(story.rest, 11.7, 0.05);
    sheet_free(sheet);
}

/* A small strong starter: 1.6 V deep, eased to 1.0 V, with ripple. */
static void shallow_cranking(void **state) {
    (void)state;
    struct sheet *sheet = sheet_new(1000.0, 0.0, 10.0, 12.0);
    size_t battery = sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 20.0);
    sheet->noise[battery] = 0.01;
    sheet_hold(sheet, battery, 0.0, 99.0, 12.7);
    sheet_ramp(sheet, battery, 4.0, 4.003, 12.7, 11.1);
    sheet_ramp(sheet, battery, 4.003, 4.05, 11.1, 11.7);
    sheet_hold(sheet, battery, 4.05, 5.5, 11.7);
    sheet_add_sine(sheet, battery, 4.05, 5.5, 0.2, 6.0);
    struct story story = tell(sheet, 0.05);
    assert_int_equal(crankings(&story), 1);
    size_t at = cranking(&story, 0);
    assert_near(story.change[at].at_s, 4.0, 0.004);
    assert_true(story.seen_s[at] <= 4.0 + 0.1 + 0.05);
    assert_near(story.change[at + 1].at_s, 5.5, 0.03);
    sheet_free(sheet);
}

/* The record begins inside a cranking; only the ripple can tell. */
static void begins_inside_a_cranking(void **state) {
    (void)state;
    struct sheet *sheet = sheet_new(2000.0, 0.0, 8.0, 12.0);
    size_t battery = sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 20.0);
    sheet_hold(sheet, battery, 0.0, 4.0, 10.2);
    sheet_add_sine(sheet, battery, 0.0, 4.0, 0.3, 6.7); /* 200 rpm, four cylinders */
    sheet_hold(sheet, battery, 4.0, 9.0, 12.3);
    struct story story = tell(sheet, 0.25);
    assert_int_equal(crankings(&story), 1);
    size_t at = cranking(&story, 0);
    assert_near(story.change[at].at_s, 0.0, 0.01);
    assert_near(story.change[at + 1].at_s, 4.0, 0.03);
    sheet_free(sheet);
}

/* A clamp on the starter's cable, drifting and the wrong way round, and nothing else. */
static void starter_current_alone(void **state) {
    (void)state;
    struct sheet *sheet = sheet_new(2000.0, 100.0, 12.0, 12.0);
    size_t clamp = sheet_channel(sheet, "starter", ROLE_STARTER_CURRENT, -1000.0, 2000.0);
    sheet_hold(sheet, clamp, 0.0, 999.0, 7.0);
    sheet_ramp(sheet, clamp, 103.0, 103.005, 0.0, -620.0);
    sheet_ramp(sheet, clamp, 103.005, 103.1, -620.0, -160.0);
    sheet_hold(sheet, clamp, 103.1, 106.0, -160.0);
    sheet_add_sine(sheet, clamp, 103.1, 106.0, 60.0, 6.7);
    struct story story = tell(sheet, 0.02);
    assert_int_equal(crankings(&story), 1);
    size_t at = cranking(&story, 0);
    assert_near(story.change[at].at_s, 103.0, 0.01);
    assert_true(story.seen_s[at] <= 103.1 + 0.02);
    assert_near(story.change[at + 1].at_s, 106.0, 0.01);
    sheet_free(sheet);
}

static void key_phases_from_the_ignition_line(void **state) {
    (void)state;
    struct sheet *sheet = sheet_new(1000.0, 0.0, 12.0, 12.0);
    size_t battery = sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 20.0);
    size_t ignition = sheet_channel(sheet, "run", ROLE_IGNITION, 0.0, 20.0);
    size_t feed = sheet_channel(sheet, "feed", ROLE_FEED, 0.0, 6.0);
    sheet_hold(sheet, battery, 0.0, 99.0, 12.6);
    sheet_hold(sheet, ignition, 2.0, 9.0, 12.4);
    sheet_hold(sheet, feed, 2.05, 5.0, 5.0); /* collapses with the key on */
    struct story story = tell(sheet, 0.25);
    assert_int_equal(story.count, 3);
    assert_int_equal(story.change[0].phase, PHASE_KEY_OFF);
    assert_int_equal(story.change[1].phase, PHASE_KEY_ON);
    assert_near(story.change[1].at_s, 2.0, 0.01);
    assert_int_equal(story.change[2].phase, PHASE_KEY_OFF);
    assert_near(story.change[2].at_s, 9.0, 0.01);
    sheet_free(sheet);
}

static void key_phases_from_a_feed(void **state) {
    (void)state;
    struct sheet *sheet = sheet_new(1000.0, 0.0, 12.0, 12.0);
    size_t feed = sheet_channel(sheet, "feed", ROLE_FEED, 0.0, 6.0);
    sheet_hold(sheet, feed, 2.0, 9.0, 5.0);
    sheet_hold(sheet, feed, 5.0, 5.1, 0.0); /* a dip is no key-off */
    struct story story = tell(sheet, 0.25);
    assert_int_equal(story.count, 3);
    assert_near(story.change[1].at_s, 2.0, 0.01);
    assert_int_equal(story.change[2].phase, PHASE_KEY_OFF);
    assert_near(story.change[2].at_s, 9.0, 0.01);
    sheet_free(sheet);
}

/* Feed, return and signal only: the signal's edges tell. 36-1 wheel given, then not given. */
static void cranking_from_edges(void **state) {
    (void)state;
    for (unsigned given = 0; given < 2; given++) {
        struct sheet *sheet = sheet_new(10000.0, 0.0, 12.0, 12.0);
        size_t feed = sheet_channel(sheet, "feed", ROLE_FEED, 0.0, 6.0);
        size_t signal = sheet_channel(sheet, "signal", ROLE_SIGNAL, 0.0, 6.0);
        size_t sensor = sheet_sensor(sheet, "crank", SENSOR_HALL, feed, CHANNEL_NONE, signal);
        if (given)
            sheet->sensors[sensor].wheel = (struct wheel){36, 1, 0};
        sheet_hold(sheet, feed, 1.0, 99.0, 5.0);
        sheet_hold(sheet, signal, 1.0, 99.0, 4.98);
        sheet_wheel(sheet, signal, 3.0, 6.0, 36, 1, 200.0, 0.04, 4.98);
        sheet_wheel(sheet, signal, 6.0, 10.0, 36, 1, 850.0, 0.04, 4.98);
        struct story story = tell(sheet, 0.25);
        if (story.count != 5)
            print_story(&story);
        assert_int_equal(story.count, 5);
        assert_int_equal(story.change[2].phase, PHASE_CRANKING);
        assert_near(story.change[2].at_s, 3.0, 0.01);
        assert_int_equal(story.change[3].phase, PHASE_RUNNING);
        assert_near(story.change[3].at_s, 6.0, 0.3);
        assert_int_equal(story.change[4].phase, PHASE_KEY_ON);
        assert_near(story.change[4].at_s, 10.0, 0.05);
        sheet_free(sheet);
    }
}

/* Battery and a sensor: it catches, so it runs from the release on; then key off. */
static void running_after_the_release(void **state) {
    (void)state;
    struct sheet *sheet = sheet_new(10000.0, 0.0, 12.0, 12.0);
    size_t battery = sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 20.0);
    size_t signal = sheet_channel(sheet, "signal", ROLE_SIGNAL, 0.0, 6.0);
    static const struct start_profile starter = {12.5, 0.003, 8.5, 0.01, 0.06,
                                                 10.4, 0.3,   1.5, 0.05};
    sheet_sensor(sheet, "crank", SENSOR_HALL, CHANNEL_NONE, CHANNEL_NONE, signal);
    sheet_hold(sheet, battery, 0.0, 99.0, 12.5);
    double rise = sheet_start(sheet, battery, 2.0, &starter);
    sheet_hold(sheet, signal, 0.0, 99.0, 4.98);
    sheet_wheel(sheet, signal, 2.1, rise, 60, 2, 190.0, 0.04, 4.98);
    sheet_wheel(sheet, signal, rise, 9.0, 60, 2, 900.0, 0.04, 4.98);
    struct story story = tell(sheet, 0.25);
    assert_int_equal(story.count, 3);
    assert_int_equal(story.change[0].phase, PHASE_CRANKING);
    assert_int_equal(story.change[1].phase, PHASE_RUNNING);
    assert_near(story.change[1].at_s, rise, 0.05);
    assert_int_equal(story.change[2].phase, PHASE_UNKNOWN); /* no lead tells the key */
    assert_near(story.change[2].at_s, 9.0, 0.05);
    sheet_free(sheet);
}

/* Samples lost in the middle of a cranking do not end it or begin another. */
static void losses_inside_a_cranking(void **state) {
    (void)state;
    struct sheet *sheet = sheet_new(5000.0, 0.0, 10.0, 12.0);
    size_t battery = sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 20.0);
    sheet_hold(sheet, battery, 0.0, 99.0, 12.0);
    sheet_start(sheet, battery, 2.0, &profiles[3].profile);
    sheet_lose(sheet, 3.0, 3.4);
    sheet_lose(sheet, 1.99, 2.01); /* the fall itself */
    struct story story = tell(sheet, 0.25);
    assert_int_equal(crankings(&story), 1);
    assert_near(story.change[cranking(&story, 0)].at_s, 2.0, 0.02);
    sheet_free(sheet);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(profiles_are_cranked),
        cmocka_unit_test(warm_start_is_cranked),
        cmocka_unit_test(loads_are_not_cranked),
        cmocka_unit_test(cranking_after_glowing),
        cmocka_unit_test(shallow_cranking),
        cmocka_unit_test(begins_inside_a_cranking),
        cmocka_unit_test(starter_current_alone),
        cmocka_unit_test(key_phases_from_the_ignition_line),
        cmocka_unit_test(key_phases_from_a_feed),
        cmocka_unit_test(cranking_from_edges),
        cmocka_unit_test(running_after_the_release),
        cmocka_unit_test(losses_inside_a_cranking),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
