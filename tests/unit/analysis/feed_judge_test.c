// SPDX-License-Identifier: Apache-2.0
/*
 * feed_judge_test.c - a feed that collapses, what only looks like it, and what keeps it from
 * being certain.
 */
#include "cmocka_helper.h"
#include "scene_helper.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static void a_feed_that_collapses_while_cranking(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    scene_collapse(sheet, &leads, 4.2, 5.1, 0.05);
    struct analysis *analysis = scene_analyse(sheet);
    const struct analysis_verdict *verdict = &analysis->verdict;
    scene_expect(sheet, analysis, verdict->fault == FAULT_FEED_COLLAPSE, "feed-collapse");
    assert_string_equal(fault_name(verdict->fault), "feed-collapse");
    assert_string_equal(fault_circuit(verdict->fault), "feed");
    scene_expect(sheet, analysis, verdict->certainty == CERTAINTY_SHOWN, "shown");
    scene_expect(sheet, analysis, verdict->channel == leads.feed, "on the feed");
    scene_expect(sheet, analysis, verdict->sensor == leads.sensor, "of the crank sensor");
    /* the onset lies between two samples */
    scene_expect(sheet, analysis, verdict->at_from_s <= 4.2 && verdict->at_to_s >= 4.2 - 1e-9,
                 "onset");
    scene_expect(sheet, analysis, verdict->at_to_s - verdict->at_from_s <= 1.01e-4,
                 "one period wide");
    scene_expect(sheet, analysis,
                 strstr(verdict->observed, "crank-feed fell from 5.01 V to 0.0") != NULL,
                 "what stood on the wire");
    scene_expect(sheet, analysis, strstr(verdict->observed, "at the sensor") != NULL, "where");
    scene_expect(sheet, analysis, strstr(verdict->observed, "the battery held 10.") != NULL,
                 "battery");
    scene_expect(sheet, analysis, scene_says(&verdict->followers, "crank-signal"), "follower");
    scene_expect(sheet, analysis, verdict->alternatives.count >= 3, "causes are alternatives");
    scene_expect(sheet, analysis, scene_says(&verdict->next, "stand clear"),
                 "next test with its caution");
    const struct analysis_check *check = scene_check(analysis, "feed level", 1, PHASE_CRANKING);
    scene_expect(sheet, analysis, check->result == CHECK_FAIL && check->measured < 0.2,
                 "failed check");
    scene_expect(sheet, analysis, scene_findings(analysis, FAULT_FEED_COLLAPSE) == 1,
                 "one finding");
    scene_expect(sheet, analysis, is_near(analysis->findings[0].to_s, 5.1, 2e-4), "it came back");
    scene_done(sheet, analysis);
}

static void no_text_tells_to_replace(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    scene_collapse(sheet, &leads, 4.2, 5.1, 0.05);
    struct analysis *analysis = scene_analyse(sheet);
    const struct analysis_verdict *verdict = &analysis->verdict;
    const struct analysis_texts *lists[] = {&verdict->because, &verdict->followers,
                                            &verdict->alternatives, &verdict->next,
                                            &verdict->not_tested};
    for (size_t i = 0; i < sizeof lists / sizeof lists[0]; i++)
        scene_expect(sheet, analysis, !scene_says(lists[i], "eplace"),
                     "no part is told to be replaced");
    scene_done(sheet, analysis);
}

static void a_collapse_with_the_key_on_and_while_running(void **state) {
    (void)state;
    struct scene_leads leads;
    /* nobody cranks: the verdict is of the whole record */
    struct sheet *sheet = scene_draw(
        &(struct scene){.engaged_s = -1.0, .watched = WATCH_USUAL | WATCH_IGNITION}, &leads);
    scene_collapse(sheet, &leads, 6.0, 7.0, 1.2);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->attempt_count == 0 && analysis->verdict_attempt == 0,
                 "no attempt");
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "key on");
    scene_expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_SHOWN, "shown");
    scene_done(sheet, analysis);

    sheet = scene_draw(
        &(struct scene){.catches_s = 5.8, .stops_s = 8.0, .watched = WATCH_USUAL | WATCH_IGNITION},
        &leads);
    scene_collapse(sheet, &leads, 8.0, 9.0, 0.0);
    analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    scene_expect(sheet, analysis, analysis->attempts[0].outcome == OUTCOME_STARTED_THEN_STOPPED,
                 "it stopped");
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "while running");
    scene_done(sheet, analysis);
}

/* Dips at the edge of what counts: time, tolerance, the starter's first 50 ms. */
static void dips_that_are_none(void **state) {
    (void)state;
    static const struct {
        double from_s, to_s, volts;
        bool fault;
    } cases[] = {
        {4.2, 4.2010, 0.0, false}, /* 1 ms: the sensor's own capacitor bridges it */
        {4.2, 4.2040, 0.0, true},
        {4.2, 5.0, 4.82, false},    /* within 5 V +- 0.25 V of the return's 0.02 V */
        {4.2, 5.0, 4.60, true},     /* 4.58 V */
        {3.001, 3.045, 3.0, false}, /* inside the inrush */
        {3.001, 3.200, 3.0, true},  /* begins there and outlasts it */
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct scene_leads leads;
        struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
        sheet_hold(sheet, leads.feed, cases[i].from_s, cases[i].to_s, cases[i].volts);
        struct analysis *analysis = scene_analyse(sheet);
        print_message("case %zu\n", i);
        scene_expect(sheet, analysis,
                     (analysis->verdict.fault == FAULT_FEED_COLLAPSE) == cases[i].fault, "fault");
        scene_done(sheet, analysis);
    }
}

static void a_key_turned_off_is_no_collapse(void **state) {
    (void)state;
    static const struct scene scenes[] = {
        {.catches_s = 5.8, .key_off_s = 10.0},
        {.key_off_s = 10.0},
        {.key_off_s = 10.0, .watched = WATCH_USUAL | WATCH_IGNITION},
        {.key_off_s = 6.05},                   /* right out of cranking */
        {.engaged_s = -1.0, .key_off_s = 5.0}, /* nobody cranked */
        {.key_off_s = 10.0, .watched = WATCH_FEED | WATCH_RETURN | WATCH_SIGNAL},
    };
    for (size_t i = 0; i < sizeof scenes / sizeof scenes[0]; i++) {
        struct scene_leads leads;
        struct sheet *sheet = scene_draw(&scenes[i], &leads);
        /* the supply's capacitors keep the feed up a while */
        sheet_ramp(sheet, leads.feed, scenes[i].key_off_s, scenes[i].key_off_s + 0.08, 5.0, 0.0);
        struct analysis *analysis = scene_analyse(sheet);
        print_message("case %zu\n", i);
        scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_NOTHING_FOUND, "no fault");
        scene_expect(sheet, analysis, analysis->finding_count == 0, "no finding");
        scene_done(sheet, analysis);
    }
}

/* The battery falls too low for a 5 V regulator: the feed is not to blame. */
static void a_battery_too_low_to_supply(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.battery, 4.0, 5.0, 4.6);
    scene_collapse(sheet, &leads, 4.0, 5.0, 2.9);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_CRANK_VOLTAGE_LOW,
                 "not the feed");
    scene_expect(sheet, analysis, analysis->verdict.channel == leads.battery, "the battery");
    scene_expect(sheet, analysis,
                 scene_says(&analysis->verdict.because, "crank-feed cannot hold on so little"),
                 "and what suffered");
    scene_done(sheet, analysis);
}

/* A battery low enough to excuse a little: the feed follows, at battery less drop-out. */
static void a_feed_that_follows_a_low_battery(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.battery, 4.0, 4.5, 5.3);
    sheet_hold(sheet, leads.feed, 4.0, 4.5, 4.5);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->finding_count == 0, "no finding");
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_NOTHING_FOUND, "not blamed");
    scene_done(sheet, analysis);
}

/* A feed that is the battery by design: its sag is not its fault, its own fall is. */
static void a_feed_of_battery_volts(void **state) {
    (void)state;
    for (int collapses = 0; collapses < 2; collapses++) {
        struct scene_leads leads;
        struct sheet *sheet = scene_draw(&(struct scene){.watched = WATCH_BATTERY | WATCH_RETURN |
                                                                    WATCH_SIGNAL | WATCH_IGNITION},
                                         &leads);
        size_t feed = sheet_channel(sheet, "cam-feed", ROLE_FEED, 0.0, 20.0);
        size_t cam = sheet_sensor(sheet, "cam", SENSOR_HALL, feed, leads.ret, CHANNEL_NONE);
        sheet->channels[feed].nominal = (double)NAN;
        sheet->channels[feed].nominal_is_battery = true;
        for (size_t i = sheet_scan(sheet, 1.0); i < sheet->scans; i++)
            sheet->values[feed][i] = sheet->values[leads.battery][i] - 0.3;
        if (collapses)
            sheet_hold(sheet, feed, 4.4, 4.8, 2.0);
        struct analysis *analysis = scene_analyse(sheet);
        scene_expect(sheet, analysis,
                     (analysis->verdict.fault == FAULT_FEED_COLLAPSE) == (collapses == 1), "fault");
        if (collapses)
            scene_expect(sheet, analysis, analysis->verdict.sensor == cam, "of the cam sensor");
        scene_done(sheet, analysis);
    }
}

/* A loose contact: many short falls are one finding. In between the sensor works, which is no sign
 * of a probe that came off. */
static void a_feed_that_flutters(void **state) {
    (void)state;
    for (int times = 20; times <= 60; times += 40) {
        struct scene_leads leads;
        struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
        char words[32];
        for (int i = 0; i < times; i++)
            scene_collapse(sheet, &leads, 4.0 + 0.03 * i, 4.012 + 0.03 * i, 0.5);
        struct analysis *analysis = scene_analyse(sheet);
        scene_expect(sheet, analysis, scene_findings(analysis, FAULT_FEED_COLLAPSE) == 1,
                     "one finding");
        scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "fault");
        scene_expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_SHOWN, "shown");
        snprintf(words, sizeof words, "%d times", times);
        scene_expect(sheet, analysis, scene_says(&analysis->verdict.because, words), "counted");
        scene_done(sheet, analysis);
    }
}

/*
 * The feed sags out of its limits, but not so far that the sensor stops: the circuit is at fault,
 * and the sensor's going on is no sign of a lead that came off, nor is the signal a follower.
 */
static void a_feed_that_sags_while_the_sensor_works(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.feed, 4.2, 5.1, 4.1);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "fault");
    scene_expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_SHOWN, "shown");
    scene_expect(sheet, analysis, analysis->verdict.followers.count == 0, "no follower");
    scene_done(sheet, analysis);
}

/* The probe falls off the feed; the sensor goes on swinging fully. */
static void a_probe_that_falls_off(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.feed, 4.2, 6.5, 0.0);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_LEAD_SUSPECT, "no circuit");
    scene_expect(sheet, analysis, analysis->verdict.channel == leads.feed, "the lead");
    scene_done(sheet, analysis);
}

/* The probe is loose: it reads nothing again and again, and the sensor swings through all of it. */
static void a_probe_that_flutters(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    for (int i = 0; i < 10; i++)
        sheet_hold(sheet, leads.feed, 4.0 + 0.06 * i, 4.04 + 0.06 * i, 0.0);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_LEAD_SUSPECT, "no circuit");
    scene_expect(sheet, analysis, analysis->verdict.channel == leads.feed, "the lead");
    scene_done(sheet, analysis);
}

static void doubts(void **state) {
    (void)state;
    struct scene_leads leads;
    /* battery not watched, ignition is */
    struct sheet *sheet = scene_draw(
        &(struct scene){.watched = WATCH_FEED | WATCH_RETURN | WATCH_SIGNAL | WATCH_IGNITION},
        &leads);
    scene_collapse(sheet, &leads, 4.2, 5.1, 0.05);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "no battery");
    scene_expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_LIKELY, "likely");
    scene_expect(sheet, analysis, scene_says(&analysis->verdict.not_tested, "battery"),
                 "not tested");
    scene_done(sheet, analysis);

    /* scans are lost where it falls: the onset is as wide as the hole */
    sheet = scene_draw(&(struct scene){0}, &leads);
    scene_collapse(sheet, &leads, 4.2, 5.1, 0.05);
    sheet_lose(sheet, 4.18, 4.21);
    analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "loss");
    scene_expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_LIKELY, "likely");
    scene_expect(sheet, analysis,
                 analysis->verdict.at_from_s < 4.181 && analysis->verdict.at_to_s > 4.209,
                 "the hole");
    scene_done(sheet, analysis);

    /* nothing but the feed, its return and its signal: it may have been the key */
    sheet =
        scene_draw(&(struct scene){.watched = WATCH_FEED | WATCH_RETURN | WATCH_SIGNAL}, &leads);
    scene_collapse(sheet, &leads, 4.2, 14.0, 0.0);
    analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->verdict.certainty != CERTAINTY_SHOWN, "may be the key");
    scene_done(sheet, analysis);
}

/* Two sensors on two feeds that fall together: neither is said to be first. */
static void two_feeds_together(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    size_t feed = sheet_channel(sheet, "cam-feed", ROLE_FEED, 0.0, 6.0);
    sheet_sensor(sheet, "cam", SENSOR_HALL, feed, leads.ret, CHANNEL_NONE);
    sheet_hold(sheet, feed, 1.0, 14.0, 5.0);
    sheet_hold(sheet, feed, 4.2, 5.1, 0.03);
    scene_collapse(sheet, &leads, 4.2, 5.1, 0.05);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "fault");
    scene_expect(sheet, analysis, scene_findings(analysis, FAULT_FEED_COLLAPSE) == 2,
                 "two findings");
    scene_expect(sheet, analysis, scene_says(&analysis->verdict.followers, "cam-feed fell"),
                 "the other");
    scene_expect(sheet, analysis, scene_says(&analysis->verdict.followers, "Together with it"),
                 "together");
    scene_expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_LIKELY,
                 "order not known");
    scene_expect(sheet, analysis, scene_says(&analysis->verdict.alternatives, "in common"),
                 "in common");
    scene_done(sheet, analysis);
}

/* One feed for two sensors: both signals are followers. */
static void a_shared_feed(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    size_t signal = sheet_channel(sheet, "cam-signal", ROLE_SIGNAL, 0.0, 6.0);
    size_t cam = sheet_sensor(sheet, "cam", SENSOR_HALL, leads.feed, leads.ret, signal);
    sheet->sensors[cam].shaft = SHAFT_CAM;
    sheet->sensors[cam].wheel = (struct wheel){4, 0, 0};
    sheet_hold(sheet, signal, 1.0, 14.0, 4.98);
    sheet_wheel(sheet, signal, 3.1, 6.0, 4, 0, 95.0, 0.12, 4.98);
    scene_collapse(sheet, &leads, 4.6, 5.4, 0.05);
    sheet_hold(sheet, signal, 4.6, 5.4, 4.98);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "fault");
    scene_expect(sheet, analysis, scene_says(&analysis->verdict.followers, "crank-signal"),
                 "crank");
    scene_expect(sheet, analysis, scene_says(&analysis->verdict.followers, "cam-signal"), "cam");
    scene_done(sheet, analysis);
}

static void a_truck_of_24_volts(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){.system_volts = 24.0}, &leads);
    scene_collapse(sheet, &leads, 4.2, 5.1, 0.05);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    scene_expect(sheet, analysis, is_near(analysis->attempts[0].from_s, 3.0, 0.004), "engagement");
    scene_expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_SHOWN, "shown");
    scene_expect(sheet, analysis,
                 scene_check(analysis, "cranking voltage", 1, PHASE_CRANKING)->result == CHECK_PASS,
                 "20.6 V");
    scene_done(sheet, analysis);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_feed_that_collapses_while_cranking),
        cmocka_unit_test(no_text_tells_to_replace),
        cmocka_unit_test(a_collapse_with_the_key_on_and_while_running),
        cmocka_unit_test(dips_that_are_none),
        cmocka_unit_test(a_key_turned_off_is_no_collapse),
        cmocka_unit_test(a_battery_too_low_to_supply),
        cmocka_unit_test(a_feed_that_follows_a_low_battery),
        cmocka_unit_test(a_feed_of_battery_volts),
        cmocka_unit_test(a_feed_that_flutters),
        cmocka_unit_test(a_feed_that_sags_while_the_sensor_works),
        cmocka_unit_test(a_probe_that_falls_off),
        cmocka_unit_test(a_probe_that_flutters),
        cmocka_unit_test(doubts),
        cmocka_unit_test(two_feeds_together),
        cmocka_unit_test(a_shared_feed),
        cmocka_unit_test(a_truck_of_24_volts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
