// SPDX-License-Identifier: Apache-2.0
/*
 * attempts_test.c - what counts as an attempt, how it came out, and at what speed.
 */
#include "cmocka_helper.h"
#include "scene_helper.h"

#include <math.h>
#include <string.h>

/* A steady starter: every speed of the curve is its own, and it turns from the run-up on. */
static void expect_steady_curve(const struct sheet *sheet, const struct analysis *analysis) {
    const struct analysis_attempt *attempt = &analysis->attempts[0];
    scene_expect(sheet, analysis, attempt->speed_count > 25, "a speed every tenth of a second");
    for (size_t i = 0; i < attempt->speed_count; i++) {
        const struct analysis_speed *speed = &attempt->speeds[i];
        if (speed->at_s > attempt->from_s + 0.5 && speed->at_s < attempt->to_s - 0.5) {
            scene_expect(sheet, analysis, is_near(speed->rpm, 190.0, 1.0), "its own speed");
            scene_expect(sheet, analysis, speed->source == ROTATION_BY_EDGES, "by edges");
        }
    }
    bool turning = false;
    for (size_t i = 0; i < attempt->turning_count; i++)
        turning = turning || (attempt->turning[i].state == ROTATION_TURNING &&
                              attempt->turning[i].from_s < 3.3 && attempt->turning[i].to_s > 5.8);
    scene_expect(sheet, analysis, turning, "it turned throughout");
    /* 6.33 Hz of ripple at 190 rpm: 120 f / rpm = 4 */
    scene_expect(sheet, analysis, attempt->cylinders == 4, "cylinders told");
}

static void a_start_that_fails_with_everything_good(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    const struct analysis_attempt *attempt = &analysis->attempts[0];
    scene_expect(sheet, analysis, attempt->outcome == OUTCOME_DID_NOT_START, "did-not-start");
    scene_expect(sheet, analysis, is_near(attempt->from_s, 3.0, 0.003), "engagement");
    scene_expect(sheet, analysis, is_near(attempt->to_s, 6.0, 0.05), "release");
    scene_expect(sheet, analysis, is_near(attempt->rpm, 190.0, 1.0), "rpm");
    assert_string_equal(attempt->rpm_source, "crank-signal");
    expect_steady_curve(sheet, analysis);
    scene_expect(sheet, analysis, attempt->verdict.fault == FAULT_NOTHING_FOUND, "nothing found");
    scene_expect(sheet, analysis, attempt->verdict.certainty == CERTAINTY_SHOWN,
                 "all circuits of the sensor were watched and good");
    scene_expect(sheet, analysis, scene_says(&attempt->verdict.because, "crank-feed held 4.99"),
                 "the feed is said to be good, against its return");
    scene_expect(sheet, analysis, attempt->verdict.next.count > 0, "a next test");
    scene_expect(sheet, analysis, analysis->verdict_attempt == 1, "top-level verdict");
    scene_done(sheet, analysis);
}

static enum outcome outcome_of(const struct scene *scene, bool *cut_short) {
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(scene, &leads);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    enum outcome outcome = analysis->attempts[0].outcome;
    *cut_short = analysis->attempts[0].cut_short;
    scene_done(sheet, analysis);
    return outcome;
}

static void outcomes(void **state) {
    (void)state;
    static const struct {
        struct scene scene;
        enum outcome outcome;
        bool cut_short;
    } cases[] = {
        {{.catches_s = 5.8}, OUTCOME_STARTED, false},
        {{.catches_s = 5.8, .key_off_s = 12.0}, OUTCOME_STARTED, false},
        {{.catches_s = 5.8, .key_off_s = 9.0, .watched = WATCH_USUAL | WATCH_IGNITION},
         OUTCOME_STARTED,
         false},
        {{.catches_s = 5.8, .stops_s = 8.5}, OUTCOME_STARTED_THEN_STOPPED, false},
        {{.catches_s = 5.8, .stops_s = 6.6}, OUTCOME_STARTED_THEN_STOPPED, false},
        {{.released_s = 3.6}, OUTCOME_RELEASED_EARLY, false},
        {{.released_s = 3.6, .catches_s = 3.5}, OUTCOME_STARTED, false},
        {{.seconds = 5.0, .released_s = 9.0}, OUTCOME_UNKNOWN, true},
        {{.seconds = 6.8}, OUTCOME_UNKNOWN, true},
        {{.seconds = 6.8, .catches_s = 5.8}, OUTCOME_UNKNOWN, true},
        /* no signal: voltage alone never says that it did not start */
        {{.watched = WATCH_BATTERY}, OUTCOME_UNKNOWN, false},
        /* but a battery that is charged after the release says that it runs */
        {{.watched = WATCH_BATTERY, .catches_s = 5.8}, OUTCOME_STARTED, false},
        /* feed, return and signal only: no lead on the battery */
        {{.watched = WATCH_FEED | WATCH_RETURN | WATCH_SIGNAL}, OUTCOME_DID_NOT_START, false},
        {{.watched = WATCH_FEED | WATCH_RETURN | WATCH_SIGNAL, .catches_s = 5.8},
         OUTCOME_STARTED,
         false},
        {{.watched = WATCH_SIGNAL, .catches_s = 5.8}, OUTCOME_STARTED, false},
        {{.watched = WATCH_BATTERY | WATCH_SIGNAL}, OUTCOME_DID_NOT_START, false},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        bool cut_short;
        enum outcome outcome = outcome_of(&cases[i].scene, &cut_short);
        print_message("case %zu: %s%s\n", i, outcome_name(outcome), cut_short ? ", cut short" : "");
        assert_int_equal(outcome, cases[i].outcome);
        assert_int_equal(cut_short, cases[i].cut_short);
    }
}

/* The start line goes up; the battery does not move. */
static void a_request_that_nothing_follows(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){.engaged_s = -1.0}, &leads);
    size_t request = sheet_channel(sheet, "start", ROLE_START_REQUEST, 0.0, 20.0);
    sheet_hold(sheet, request, 4.0, 6.0, 12.3);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    scene_expect(sheet, analysis, analysis->attempts[0].outcome == OUTCOME_DID_NOT_CRANK,
                 "did-not-crank");
    scene_expect(sheet, analysis, is_near(analysis->attempts[0].from_s, 4.0, 0.01),
                 "from the request");
    scene_expect(sheet, analysis, is_near(analysis->attempts[0].to_s, 6.0, 0.01), "to its end");
    scene_expect(sheet, analysis, isnan(analysis->attempts[0].rpm), "no speed");
    scene_done(sheet, analysis);
}

/* The same line when the starter answers: one attempt, not two. */
static void a_request_that_is_answered(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    size_t request = sheet_channel(sheet, "start", ROLE_START_REQUEST, 0.0, 20.0);
    sheet_hold(sheet, request, 2.95, 6.0, 12.3);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    scene_expect(sheet, analysis, analysis->attempts[0].outcome == OUTCOME_DID_NOT_START,
                 "outcome");
    scene_done(sheet, analysis);
}

/* Three attempts in one record: the one with a fault matters, though the last one started. */
static void several_attempts(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(
        &(struct scene){.seconds = 40.0, .engaged_s = 25.0, .released_s = 27.0, .catches_s = 26.8},
        &leads);
    static const struct start_profile starter = {12.5, 0.004, 8.7, 0.01, 0.06,
                                                 10.3, 0.0,   2.0, 0.05};
    for (int i = 0; i < 2; i++) {
        double at_s = 5.0 + 8.0 * i;
        sheet_start(sheet, leads.battery, at_s, &starter);
        sheet_wheel(sheet, leads.signal, at_s + 0.1, at_s + 2.0, 60, 2, 190.0, 0.12, 4.98);
    }
    scene_collapse(sheet, &leads, 14.0, 14.5, 0.4);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->attempt_count == 3, "three attempts");
    scene_expect(sheet, analysis, analysis->attempts[2].outcome == OUTCOME_STARTED,
                 "the third started");
    scene_expect(sheet, analysis, analysis->attempts[0].verdict.fault == FAULT_NOTHING_FOUND,
                 "first");
    scene_expect(sheet, analysis, analysis->attempts[1].verdict.fault == FAULT_FEED_COLLAPSE,
                 "second");
    scene_expect(sheet, analysis, analysis->verdict_attempt == 2, "the second matters most");
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "its fault");
    scene_expect(sheet, analysis,
                 scene_findings(analysis, FAULT_FEED_COLLAPSE) == 1 &&
                     analysis->findings[0].attempt == 2,
                 "one finding, of the second");
    scene_done(sheet, analysis);
}

/* It catches while the starter is still in: the speed and the levels are those of the cranking. */
static void a_catch_with_the_starter_still_in(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){.rate_hz = 2000.0, .catches_s = 5.0}, &leads);
    sheet->sensors[leads.sensor].wheel = (struct wheel){36, 1, 0};
    sheet_wheel(sheet, leads.signal, 3.1, 5.0, 36, 1, 190.0, 0.12, 4.98);
    sheet_wheel(sheet, leads.signal, 5.0, 14.0, 36, 1, 850.0, 0.12, 4.98);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, is_near(analysis->attempts[0].rpm, 190.0, 2.0), "rpm");
    scene_expect(sheet, analysis, analysis->attempts[0].rpm_high < 250.0, "highest");
    scene_expect(sheet, analysis,
                 scene_check(analysis, "low of the signal", 1, PHASE_CRANKING)->result ==
                     CHECK_PASS,
                 "fast enough for the cranking");
    scene_expect(sheet, analysis,
                 scene_check(analysis, "low of the signal", 1, PHASE_RUNNING)->result ==
                     CHECK_NOT_POSSIBLE,
                 "too slow for 850 rpm");
    scene_done(sheet, analysis);
}

/* The wheel was not given: its gap tells the turn; without one, no speed is guessed. */
static void a_wheel_that_was_not_given(void **state) {
    (void)state;
    for (unsigned missing = 0; missing < 2; missing++) {
        struct scene_leads leads;
        struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
        sheet->sensors[leads.sensor].wheel = (struct wheel){0, 0, 0};
        sheet_wheel(sheet, leads.signal, 3.1, 6.0, 36, missing, 190.0, 0.12, 4.98);
        struct analysis *analysis = scene_analyse(sheet);
        const struct analysis_attempt *attempt = &analysis->attempts[0];
        scene_expect(sheet, analysis, is_near(attempt->rpm, 190.0, missing ? 0.5 : 2.0), "speed");
        scene_expect(sheet, analysis,
                     strcmp(attempt->rpm_source, missing ? "crank-signal" : "battery") == 0,
                     "learnt, or by the compressions");
        scene_expect(sheet, analysis, attempt->outcome == OUTCOME_DID_NOT_START, "outcome");
        scene_done(sheet, analysis);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_start_that_fails_with_everything_good),
        cmocka_unit_test(outcomes),
        cmocka_unit_test(a_request_that_nothing_follows),
        cmocka_unit_test(a_request_that_is_answered),
        cmocka_unit_test(several_attempts),
        cmocka_unit_test(a_catch_with_the_starter_still_in),
        cmocka_unit_test(a_wheel_that_was_not_given),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
