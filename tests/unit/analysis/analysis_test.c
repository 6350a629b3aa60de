// SPDX-License-Identifier: Apache-2.0
/*
 * analysis_test.c - from a drawn record to attempts, checks and the verdict.
 */
#include "analysis.h"

#include "cmocka_helper.h"
#include "scene_helper.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The test is about to compare: show everything where that will fail. */
static void expect(const struct sheet *sheet, const struct analysis *analysis, bool holds,
                   const char *what) {
    if (holds)
        return;
    scene_print(sheet, analysis);
    fail_msg("%s", what);
}

static void done(struct sheet *sheet, struct analysis *analysis) {
    analysis_free(analysis);
    sheet_free(sheet);
}

static bool near(double value, double expected, double by) {
    return fabs(value - expected) <= by;
}

static size_t findings_of(const struct analysis *analysis, enum fault fault) {
    size_t count = 0;
    for (size_t i = 0; i < analysis->finding_count; i++)
        count += analysis->findings[i].fault == fault;
    return count;
}

/* --- Attempts and outcomes -------------------------------------------------------------- */

/* A steady starter: every speed of the curve is its own, and it turns from the run-up on. */
static void expect_steady_curve(const struct sheet *sheet, const struct analysis *analysis) {
    const struct analysis_attempt *attempt = &analysis->attempts[0];
    expect(sheet, analysis, attempt->speed_count > 25, "a speed every tenth of a second");
    for (size_t i = 0; i < attempt->speed_count; i++) {
        const struct analysis_speed *speed = &attempt->speeds[i];
        if (speed->at_s > attempt->from_s + 0.5 && speed->at_s < attempt->to_s - 0.5) {
            expect(sheet, analysis, near(speed->rpm, 190.0, 1.0), "its own speed");
            expect(sheet, analysis, speed->source == ROTATION_BY_EDGES, "by edges");
        }
    }
    bool turning = false;
    for (size_t i = 0; i < attempt->turning_count; i++)
        turning = turning || (attempt->turning[i].state == ROTATION_TURNING &&
                              attempt->turning[i].from_s < 3.3 && attempt->turning[i].to_s > 5.8);
    expect(sheet, analysis, turning, "it turned throughout");
    /* 6.33 Hz of ripple at 190 rpm: 120 f / rpm = 4 */
    expect(sheet, analysis, attempt->cylinders == 4, "cylinders told");
}

static void a_start_that_fails_with_everything_good(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    const struct analysis_attempt *attempt = &analysis->attempts[0];
    expect(sheet, analysis, attempt->outcome == OUTCOME_DID_NOT_START, "did-not-start");
    expect(sheet, analysis, near(attempt->from_s, 3.0, 0.003), "engagement");
    expect(sheet, analysis, near(attempt->to_s, 6.0, 0.05), "release");
    expect(sheet, analysis, near(attempt->rpm, 190.0, 1.0), "rpm");
    assert_string_equal(attempt->rpm_source, "crank-signal");
    expect_steady_curve(sheet, analysis);
    expect(sheet, analysis, attempt->verdict.fault == FAULT_NOTHING_FOUND, "nothing found");
    expect(sheet, analysis, attempt->verdict.certainty == CERTAINTY_SHOWN,
           "all circuits of the sensor were watched and good");
    expect(sheet, analysis, scene_says(&attempt->verdict.because, "crank-feed held 4.99"),
           "the feed is said to be good, against its return");
    expect(sheet, analysis, attempt->verdict.next.count > 0, "a next test");
    expect(sheet, analysis, analysis->verdict_attempt == 1, "top-level verdict");
    done(sheet, analysis);
}

static enum outcome outcome_of(const struct scene *scene, bool *cut_short) {
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(scene, &leads);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    enum outcome outcome = analysis->attempts[0].outcome;
    *cut_short = analysis->attempts[0].cut_short;
    done(sheet, analysis);
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
    expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    expect(sheet, analysis, analysis->attempts[0].outcome == OUTCOME_DID_NOT_CRANK,
           "did-not-crank");
    expect(sheet, analysis, near(analysis->attempts[0].from_s, 4.0, 0.01), "from the request");
    expect(sheet, analysis, near(analysis->attempts[0].to_s, 6.0, 0.01), "to its end");
    expect(sheet, analysis, isnan(analysis->attempts[0].rpm), "no speed");
    done(sheet, analysis);
}

/* The same line when the starter answers: one attempt, not two. */
static void a_request_that_is_answered(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    size_t request = sheet_channel(sheet, "start", ROLE_START_REQUEST, 0.0, 20.0);
    sheet_hold(sheet, request, 2.95, 6.0, 12.3);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    expect(sheet, analysis, analysis->attempts[0].outcome == OUTCOME_DID_NOT_START, "outcome");
    done(sheet, analysis);
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
    expect(sheet, analysis, analysis->attempt_count == 3, "three attempts");
    expect(sheet, analysis, analysis->attempts[2].outcome == OUTCOME_STARTED, "the third started");
    expect(sheet, analysis, analysis->attempts[0].verdict.fault == FAULT_NOTHING_FOUND, "first");
    expect(sheet, analysis, analysis->attempts[1].verdict.fault == FAULT_FEED_COLLAPSE, "second");
    expect(sheet, analysis, analysis->verdict_attempt == 2, "the second matters most");
    expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "its fault");
    expect(sheet, analysis,
           findings_of(analysis, FAULT_FEED_COLLAPSE) == 1 && analysis->findings[0].attempt == 2,
           "one finding, of the second");
    done(sheet, analysis);
}

/* --- The feed collapses ----------------------------------------------------------------- */

static void a_feed_that_collapses_while_cranking(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    scene_collapse(sheet, &leads, 4.2, 5.1, 0.05);
    struct analysis *analysis = scene_analyse(sheet);
    const struct analysis_verdict *verdict = &analysis->verdict;
    expect(sheet, analysis, verdict->fault == FAULT_FEED_COLLAPSE, "feed-collapse");
    assert_string_equal(fault_name(verdict->fault), "feed-collapse");
    assert_string_equal(fault_circuit(verdict->fault), "feed");
    expect(sheet, analysis, verdict->certainty == CERTAINTY_SHOWN, "shown");
    expect(sheet, analysis, verdict->channel == leads.feed, "on the feed");
    expect(sheet, analysis, verdict->sensor == leads.sensor, "of the crank sensor");
    /* the onset lies between two samples */
    expect(sheet, analysis, verdict->at_from_s <= 4.2 && verdict->at_to_s >= 4.2 - 1e-9, "onset");
    expect(sheet, analysis, verdict->at_to_s - verdict->at_from_s <= 1.01e-4, "one period wide");
    expect(sheet, analysis, strstr(verdict->observed, "crank-feed fell from 5.01 V to 0.0") != NULL,
           "what stood on the wire");
    expect(sheet, analysis, strstr(verdict->observed, "at the sensor") != NULL, "where");
    expect(sheet, analysis, strstr(verdict->observed, "the battery held 10.") != NULL, "battery");
    expect(sheet, analysis, scene_says(&verdict->followers, "crank-signal"), "follower");
    expect(sheet, analysis, verdict->alternatives.count >= 3, "causes are alternatives");
    expect(sheet, analysis, scene_says(&verdict->next, "stand clear"),
           "next test with its caution");
    const struct analysis_check *check = scene_check(analysis, "feed level", 1, PHASE_CRANKING);
    expect(sheet, analysis, check->result == CHECK_FAIL && check->measured < 0.2, "failed check");
    expect(sheet, analysis, findings_of(analysis, FAULT_FEED_COLLAPSE) == 1, "one finding");
    expect(sheet, analysis, near(analysis->findings[0].to_s, 5.1, 2e-4), "it came back");
    done(sheet, analysis);
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
        expect(sheet, analysis, !scene_says(lists[i], "eplace"), "no part is told to be replaced");
    done(sheet, analysis);
}

static void a_collapse_with_the_key_on_and_while_running(void **state) {
    (void)state;
    struct scene_leads leads;
    /* nobody cranks: the verdict is of the whole record */
    struct sheet *sheet = scene_draw(
        &(struct scene){.engaged_s = -1.0, .watched = WATCH_USUAL | WATCH_IGNITION}, &leads);
    scene_collapse(sheet, &leads, 6.0, 7.0, 1.2);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->attempt_count == 0 && analysis->verdict_attempt == 0,
           "no attempt");
    expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "key on");
    expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_SHOWN, "shown");
    done(sheet, analysis);

    sheet = scene_draw(
        &(struct scene){.catches_s = 5.8, .stops_s = 8.0, .watched = WATCH_USUAL | WATCH_IGNITION},
        &leads);
    scene_collapse(sheet, &leads, 8.0, 9.0, 0.0);
    analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    expect(sheet, analysis, analysis->attempts[0].outcome == OUTCOME_STARTED_THEN_STOPPED,
           "it stopped");
    expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "while running");
    done(sheet, analysis);
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
        expect(sheet, analysis, (analysis->verdict.fault == FAULT_FEED_COLLAPSE) == cases[i].fault,
               "fault");
        done(sheet, analysis);
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
        expect(sheet, analysis, analysis->verdict.fault == FAULT_NOTHING_FOUND, "no fault");
        expect(sheet, analysis, analysis->finding_count == 0, "no finding");
        done(sheet, analysis);
    }
}

/* --- What else would look like it ------------------------------------------------------- */

/* The battery falls too low for a 5 V regulator: the feed is not to blame. */
static void a_battery_too_low_to_supply(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.battery, 4.0, 5.0, 4.6);
    scene_collapse(sheet, &leads, 4.0, 5.0, 2.9);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    expect(sheet, analysis, analysis->verdict.fault == FAULT_CRANK_VOLTAGE_LOW, "not the feed");
    expect(sheet, analysis, analysis->verdict.channel == leads.battery, "the battery");
    expect(sheet, analysis, scene_says(&analysis->verdict.because, "crank-feed could not be held"),
           "and what suffered");
    done(sheet, analysis);
}

/* A battery low enough to excuse a little: the feed follows, at battery less drop-out. */
static void a_feed_that_follows_a_low_battery(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.battery, 4.0, 4.5, 5.3);
    sheet_hold(sheet, leads.feed, 4.0, 4.5, 4.5);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->finding_count == 0, "no finding");
    expect(sheet, analysis, analysis->verdict.fault == FAULT_NOTHING_FOUND, "not blamed");
    done(sheet, analysis);
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
        expect(sheet, analysis,
               (analysis->verdict.fault == FAULT_FEED_COLLAPSE) == (collapses == 1), "fault");
        if (collapses)
            expect(sheet, analysis, analysis->verdict.sensor == cam, "of the cam sensor");
        done(sheet, analysis);
    }
}

/* The return opens: the feed is low against it, but the feed itself stood. */
static void a_return_that_rises(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.ret, 4.0, 5.0, 3.1);
    sheet_hold(sheet, leads.signal, 4.0, 5.0, 4.9);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->verdict.fault == FAULT_RETURN_OPEN, "not the feed");
    expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_SHOWN, "it stood there");
    expect(sheet, analysis, analysis->verdict.channel == leads.ret, "the return is named");
    expect(sheet, analysis,
           analysis->verdict.at_from_s <= 4.0 && analysis->verdict.at_to_s >= 4.0 &&
               analysis->verdict.at_to_s - analysis->verdict.at_from_s < 0.003,
           "when it opened");
    expect(sheet, analysis,
           scene_check(analysis, "return level", 1, PHASE_CRANKING)->result == CHECK_FAIL,
           "its check failed");
    done(sheet, analysis);
}

/* A return above its limit all along while the starter turns; its feed stays. */
static void a_return_out_of_its_limit(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.ret, 3.0, 6.0, 0.17);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->verdict.fault == FAULT_RETURN_RISE, "verdict");
    expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_SHOWN, "the feed stayed");
    expect(sheet, analysis, scene_says(&analysis->verdict.because, "crank-feed did not rise"),
           "why it is not the ground");
    done(sheet, analysis);
}

/* The first surge allows 0.3 V, and is noted from 0.2 V. */
static void a_return_in_the_first_surge(void **state) {
    (void)state;
    static const struct {
        double volts;
        enum check_result result;
    } cases[] = {{0.15, CHECK_PASS}, {0.25, CHECK_TOO_CLOSE}, {0.4, CHECK_FAIL}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct scene_leads leads;
        struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
        sheet_hold(sheet, leads.ret, 3.01, 3.14, cases[i].volts);
        struct analysis *analysis = scene_analyse(sheet);
        expect(sheet, analysis,
               scene_check(analysis, "return, first surge", 1, PHASE_CRANKING)->result ==
                   cases[i].result,
               "first surge");
        expect(sheet, analysis,
               scene_check(analysis, "return level", 1, PHASE_CRANKING)->result == CHECK_PASS,
               "later");
        done(sheet, analysis);
    }
}

/* The probe falls off the feed; the sensor goes on swinging fully. */
static void a_probe_that_falls_off(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.feed, 4.2, 6.5, 0.0);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    expect(sheet, analysis, analysis->verdict.fault == FAULT_LEAD_SUSPECT, "no circuit");
    expect(sheet, analysis, analysis->verdict.channel == leads.feed, "the lead");
    done(sheet, analysis);
}

/* --- What keeps it from being certain --------------------------------------------------- */

static void doubts(void **state) {
    (void)state;
    struct scene_leads leads;
    /* battery not watched, ignition is */
    struct sheet *sheet = scene_draw(
        &(struct scene){.watched = WATCH_FEED | WATCH_RETURN | WATCH_SIGNAL | WATCH_IGNITION},
        &leads);
    scene_collapse(sheet, &leads, 4.2, 5.1, 0.05);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "no battery");
    expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_LIKELY, "likely");
    expect(sheet, analysis, scene_says(&analysis->verdict.not_tested, "battery"), "not tested");
    done(sheet, analysis);

    /* scans are lost where it falls: the onset is as wide as the hole */
    sheet = scene_draw(&(struct scene){0}, &leads);
    scene_collapse(sheet, &leads, 4.2, 5.1, 0.05);
    sheet_lose(sheet, 4.18, 4.21);
    analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "loss");
    expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_LIKELY, "likely");
    expect(sheet, analysis,
           analysis->verdict.at_from_s < 4.181 && analysis->verdict.at_to_s > 4.209, "the hole");
    done(sheet, analysis);

    /* nothing but the feed, its return and its signal: it may have been the key */
    sheet =
        scene_draw(&(struct scene){.watched = WATCH_FEED | WATCH_RETURN | WATCH_SIGNAL}, &leads);
    scene_collapse(sheet, &leads, 4.2, 14.0, 0.0);
    analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->verdict.certainty != CERTAINTY_SHOWN, "may be the key");
    done(sheet, analysis);
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
    expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "fault");
    expect(sheet, analysis, findings_of(analysis, FAULT_FEED_COLLAPSE) == 2, "two findings");
    expect(sheet, analysis, scene_says(&analysis->verdict.followers, "cam-feed fell"), "the other");
    expect(sheet, analysis, scene_says(&analysis->verdict.followers, "Together with it"),
           "together");
    expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_LIKELY, "order not known");
    expect(sheet, analysis, scene_says(&analysis->verdict.alternatives, "in common"), "in common");
    done(sheet, analysis);
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
    expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "fault");
    expect(sheet, analysis, scene_says(&analysis->verdict.followers, "crank-signal"), "crank");
    expect(sheet, analysis, scene_says(&analysis->verdict.followers, "cam-signal"), "cam");
    done(sheet, analysis);
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
        expect(sheet, analysis, findings_of(analysis, FAULT_FEED_COLLAPSE) == 1, "one finding");
        expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "fault");
        expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_SHOWN, "shown");
        snprintf(words, sizeof words, "%d times", times);
        expect(sheet, analysis, scene_says(&analysis->verdict.because, words), "counted");
        done(sheet, analysis);
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
    expect(sheet, analysis, analysis->verdict.fault == FAULT_FEED_COLLAPSE, "fault");
    expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_SHOWN, "shown");
    expect(sheet, analysis, analysis->verdict.followers.count == 0, "no follower");
    done(sheet, analysis);
}

/* The probe is loose: it reads nothing again and again, and the sensor swings through all of it. */
static void a_probe_that_flutters(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    for (int i = 0; i < 10; i++)
        sheet_hold(sheet, leads.feed, 4.0 + 0.06 * i, 4.04 + 0.06 * i, 0.0);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->verdict.fault == FAULT_LEAD_SUSPECT, "no circuit");
    expect(sheet, analysis, analysis->verdict.channel == leads.feed, "the lead");
    done(sheet, analysis);
}

/* --- Levels and checks ------------------------------------------------------------------ */

static const struct analysis_level *level_of(const struct analysis *analysis, size_t channel,
                                             enum phase phase) {
    for (size_t i = 0; i < analysis->level_count; i++) {
        if (analysis->levels[i].channel == channel && analysis->levels[i].phase == phase)
            return &analysis->levels[i];
    }
    fail_msg("no level of that channel and phase");
    abort(); /* fail_msg does not return; the compiler does not know */
}

/*
 * A 0..5 V signal that is up a fourteenth of the time averages 0.35 to 0.5 V: what an averaging
 * meter shows of it (common trade practice; the value is arithmetic, low + duty x swing).
 */
static void what_an_averaging_meter_shows(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    for (size_t i = sheet_scan(sheet, 3.1); i < sheet_scan(sheet, 6.0); i++)
        sheet->values[leads.signal][i] = (i % 280) < 20 ? 4.98 : 0.12;
    struct analysis *analysis = scene_analyse(sheet);
    const struct analysis_level *level = level_of(analysis, leads.signal, PHASE_CRANKING);
    expect(sheet, analysis, near(level->low, 0.12, 0.01) && near(level->high, 4.98, 0.01),
           "levels");
    /* up for the first tenth of a second, before the engine turns, and behind the release, drawn
       at 6 s and seen within the recovery */
    double length = analysis->attempts[0].to_s - 3.0;
    double duty = (2.9 * 20.0 / 280.0 + length - 2.9) / length;
    expect(sheet, analysis, near(level->duty, duty, 0.005), "duty");
    expect(sheet, analysis, near(level->average, 0.12 + duty * 4.86, 0.03), "average");
    expect(sheet, analysis, near(level->average, 0.6, 0.1), "what the meter shows");
    const struct analysis_check *check =
        scene_check(analysis, "average of signal", 1, PHASE_CRANKING);
    expect(sheet, analysis, check->result == CHECK_PASS, "explained");
    /* two edges every 28 ms */
    expect(sheet, analysis, near(level->edges_per_s, 2.0 / 0.028 * 2.9 / length, 1.5), "edges");
    done(sheet, analysis);
}

/* A board too slow for the wheel: no levels, no speed, and the rate that would do. */
static void a_signal_sampled_too_slowly(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){.rate_hz = 1000.0}, &leads);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    const struct analysis_check *check =
        scene_check(analysis, "low of the signal", 1, PHASE_CRANKING);
    expect(sheet, analysis, check->result == CHECK_NOT_POSSIBLE, "not possible");
    /* 60 places at 190 rpm, half up: 2.63 ms a state; five samples need 1900 scans/s */
    double rate = 0.0;
    assert_int_equal(sscanf(strstr(check->why, "sample at"), "sample at %lf", &rate), 1);
    expect(sheet, analysis, rate > 1700.0 && rate < 2700.0, "the rate that would do");
    /* the speed is that of the compressions in the battery */
    expect(sheet, analysis, strcmp(analysis->attempts[0].rpm_source, "battery") == 0, "source");
    expect(sheet, analysis, near(analysis->attempts[0].rpm, 190.0, 2.0), "speed");
    expect(sheet, analysis, isnan(level_of(analysis, leads.signal, PHASE_CRANKING)->edges_per_s),
           "no rate");
    expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_LIKELY, "less is known");
    expect(sheet, analysis, scene_says(&analysis->verdict.not_tested, "crank-signal"),
           "and said so");
    done(sheet, analysis);
}

static void hall_levels_out_of_limits(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_wheel(sheet, leads.signal, 3.1, 6.0, 60, 2, 190.0, 0.9, 4.1);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis,
           scene_check(analysis, "low of the signal", 1, PHASE_CRANKING)->result == CHECK_FAIL,
           "low");
    expect(sheet, analysis,
           scene_check(analysis, "high of the signal", 1, PHASE_CRANKING)->result == CHECK_FAIL,
           "high");
    expect(sheet, analysis, analysis->verdict.fault == FAULT_SIGNAL_WEAK, "weak");
    expect(sheet, analysis, analysis->verdict.channel == leads.signal, "its signal");
    done(sheet, analysis);
}

/* So near the limit that the measurement cannot tell. */
static void too_close_to_tell(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.ret, 3.0, 6.0, 0.0985);
    struct analysis *analysis = scene_analyse(sheet);
    const struct analysis_check *check = scene_check(analysis, "return level", 1, PHASE_CRANKING);
    expect(sheet, analysis, check->result == CHECK_TOO_CLOSE && check->why != NULL, "too close");
    done(sheet, analysis);
}

static void rails(void **state) {
    (void)state;
    struct scene_leads leads;
    /* a unipolar input at its lower end: a return cannot be called good */
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.ret, 0.0, 14.0, -0.03);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis,
           scene_check(analysis, "return level", 1, PHASE_CRANKING)->result == CHECK_NOT_POSSIBLE,
           "return");
    expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_LIKELY, "less is known");
    done(sheet, analysis);

    /* a feed at the upper end: its value is not known */
    sheet =
        scene_draw(&(struct scene){.watched = WATCH_BATTERY | WATCH_RETURN | WATCH_SIGNAL}, &leads);
    size_t feed = sheet_channel(sheet, "crank-feed", ROLE_FEED, 0.0, 5.0);
    sheet->sensors[leads.sensor].feed = feed;
    sheet_hold(sheet, feed, 1.0, 14.0, 5.4);
    analysis = scene_analyse(sheet);
    expect(sheet, analysis,
           scene_check(analysis, "feed level", 1, PHASE_CRANKING)->result == CHECK_NOT_POSSIBLE,
           "feed");
    done(sheet, analysis);
}

static void a_board_that_is_grounded_elsewhere(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet->vehicle.ground = GROUND_ENGINE;
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis,
           scene_check(analysis, "return level", 1, PHASE_CRANKING)->result == CHECK_NOT_POSSIBLE,
           "absolute levels mean nothing");
    expect(sheet, analysis,
           scene_check(analysis, "feed level", 1, PHASE_CRANKING)->result == CHECK_PASS,
           "differences do");
    done(sheet, analysis);
}

/* --- Other vehicles --------------------------------------------------------------------- */

static void a_truck_of_24_volts(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){.system_volts = 24.0}, &leads);
    scene_collapse(sheet, &leads, 4.2, 5.1, 0.05);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    expect(sheet, analysis, near(analysis->attempts[0].from_s, 3.0, 0.004), "engagement");
    expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_SHOWN, "shown");
    expect(sheet, analysis,
           scene_check(analysis, "cranking voltage", 1, PHASE_CRANKING)->result == CHECK_PASS,
           "20.6 V");
    done(sheet, analysis);
}

/* Two coil legs, no feed: nothing to blame, and it turns. */
static void an_inductive_sensor(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){.watched = WATCH_BATTERY}, &leads);
    size_t signal = sheet_channel(sheet, "coil", ROLE_SIGNAL, -20.0, 40.0);
    sheet->sensors[leads.sensor].kind = SENSOR_INDUCTIVE;
    sheet->sensors[leads.sensor].signal = signal;
    sheet->sensors[leads.sensor].wheel = (struct wheel){30, 0, 0};
    sheet_add_sine(sheet, signal, 3.1, 6.0, 2.5, 30.0 * 190.0 / 60.0);
    struct analysis *analysis = scene_analyse(sheet);
    expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    expect(sheet, analysis, near(analysis->attempts[0].rpm, 190.0, 0.5), "rpm");
    expect(sheet, analysis, analysis->attempts[0].outcome == OUTCOME_DID_NOT_START, "outcome");
    expect(sheet, analysis, analysis->verdict.fault == FAULT_NOTHING_FOUND, "no feed to blame");
    expect(sheet, analysis, !scene_says(&analysis->verdict.not_tested, "feed of sensor"),
           "it has no feed that could be watched");
    done(sheet, analysis);
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
    expect(sheet, analysis, near(analysis->attempts[0].rpm, 190.0, 2.0), "rpm");
    expect(sheet, analysis, analysis->attempts[0].rpm_high < 250.0, "highest");
    expect(sheet, analysis,
           scene_check(analysis, "low of the signal", 1, PHASE_CRANKING)->result == CHECK_PASS,
           "fast enough for the cranking");
    expect(sheet, analysis,
           scene_check(analysis, "low of the signal", 1, PHASE_RUNNING)->result ==
               CHECK_NOT_POSSIBLE,
           "too slow for 850 rpm");
    done(sheet, analysis);
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
        expect(sheet, analysis, near(attempt->rpm, 190.0, missing ? 0.5 : 2.0), "speed");
        expect(sheet, analysis,
               strcmp(attempt->rpm_source, missing ? "crank-signal" : "battery") == 0,
               "learnt, or by the compressions");
        expect(sheet, analysis, attempt->outcome == OUTCOME_DID_NOT_START, "outcome");
        done(sheet, analysis);
    }
}

/* --- Trouble ---------------------------------------------------------------------------- */

static void errors_of_the_record_come_through(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    struct limits limits = limits_default(12.0);
    struct record record = sheet_record(sheet);
    /* in the first pass, and in the second */
    for (int after = 3; after < 100; after += 60) {
        struct analysis *analysis = NULL;
        sheet->fail_after = after;
        assert_int_equal(analysis_run(&record, &limits, NULL, NULL, &analysis), -EIO);
        assert_null(analysis);
    }
    sheet_free(sheet);
}

static void note_share(void *context, double share) {
    double *last = context;
    assert_true(share >= *last && share <= 1.0);
    *last = share;
}

static void progress_rises(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    struct limits limits = limits_default(12.0);
    struct record record = sheet_record(sheet);
    struct analysis *analysis = NULL;
    double last = 0.0;
    assert_int_equal(analysis_run(&record, &limits, note_share, &last, &analysis), 0);
    assert_true(last > 0.99);
    done(sheet, analysis);
}

/* A record without a sample, and one without a lead. */
static void nothing_at_all(void **state) {
    (void)state;
    for (int leads = 0; leads < 2; leads++) {
        struct sheet *sheet = sheet_new(1000.0, 0.0, leads ? 0.0 : 2.0, 12.0);
        if (leads)
            sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 20.0);
        struct analysis *analysis = scene_analyse(sheet);
        assert_int_equal(analysis->attempt_count, 0);
        assert_int_equal(analysis->verdict.fault, FAULT_NOTHING_FOUND);
        assert_int_equal(analysis->verdict.certainty, CERTAINTY_CANNOT_TELL);
        done(sheet, analysis);
    }
}

/* Whatever the leads do: an answer, with phases that tile the record and sentences that are there.
 */
static void whatever_the_leads_do(void **state) {
    (void)state;
    uint64_t seed = 77;
    for (int round = 0; round < 40; round++) {
        struct scene_leads leads;
        struct sheet *sheet = scene_draw(
            &(struct scene){.rate_hz = 1000.0,
                            .watched = (unsigned)round % 32U | WATCH_SIGNAL | WATCH_FEED},
            &leads);
        size_t request = sheet_channel(sheet, "start", ROLE_START_REQUEST, 0.0, 20.0);
        for (int i = 0; i < 120; i++) {
            size_t channel = (size_t)(fabs(sheet_random(&seed)) * 10.0) % (request + 1);
            double at_s = 7.0 + 3.0 * sheet_random(&seed);
            double length_s = exp(2.0 * sheet_random(&seed) - 2.0);
            sheet_hold(sheet, channel, at_s, at_s + length_s, 6.0 + 6.0 * sheet_random(&seed));
        }
        for (int i = 0; i < round % 4; i++)
            sheet_lose(sheet, 3.0 * i + 1.0, 3.0 * i + 1.0 + 0.3 * i);
        struct analysis *analysis = scene_analyse(sheet);
        assert_true(analysis->phase_count > 0);
        assert_near(analysis->phases[0].from_s, 0.0, 1e-9);
        for (size_t i = 1; i < analysis->phase_count; i++) {
            assert_near(analysis->phases[i].from_s, analysis->phases[i - 1].to_s, 0.0);
            assert_true(analysis->phases[i].to_s > analysis->phases[i].from_s);
        }
        assert_near(analysis->phases[analysis->phase_count - 1].to_s, 14.0, 1e-9);
        for (size_t i = 0; i < analysis->attempt_count; i++) {
            assert_int_equal(analysis->attempts[i].number, i + 1);
            assert_non_null(analysis->attempts[i].verdict.observed);
            assert_true(analysis->attempts[i].to_s >= analysis->attempts[i].from_s);
        }
        for (size_t i = 0; i < analysis->check_count; i++) {
            bool needs_why = analysis->checks[i].result == CHECK_TOO_CLOSE ||
                             analysis->checks[i].result == CHECK_NOT_POSSIBLE;
            assert_int_equal(analysis->checks[i].why != NULL, needs_why);
        }
        assert_non_null(analysis->verdict.observed);
        done(sheet, analysis);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_start_that_fails_with_everything_good),
        cmocka_unit_test(outcomes),
        cmocka_unit_test(a_request_that_nothing_follows),
        cmocka_unit_test(a_request_that_is_answered),
        cmocka_unit_test(several_attempts),
        cmocka_unit_test(a_feed_that_collapses_while_cranking),
        cmocka_unit_test(no_text_tells_to_replace),
        cmocka_unit_test(a_collapse_with_the_key_on_and_while_running),
        cmocka_unit_test(dips_that_are_none),
        cmocka_unit_test(a_key_turned_off_is_no_collapse),
        cmocka_unit_test(a_battery_too_low_to_supply),
        cmocka_unit_test(a_feed_that_follows_a_low_battery),
        cmocka_unit_test(a_feed_of_battery_volts),
        cmocka_unit_test(a_return_that_rises),
        cmocka_unit_test(a_return_out_of_its_limit),
        cmocka_unit_test(a_return_in_the_first_surge),
        cmocka_unit_test(a_probe_that_falls_off),
        cmocka_unit_test(doubts),
        cmocka_unit_test(two_feeds_together),
        cmocka_unit_test(a_shared_feed),
        cmocka_unit_test(a_feed_that_flutters),
        cmocka_unit_test(a_feed_that_sags_while_the_sensor_works),
        cmocka_unit_test(a_probe_that_flutters),
        cmocka_unit_test(what_an_averaging_meter_shows),
        cmocka_unit_test(a_signal_sampled_too_slowly),
        cmocka_unit_test(hall_levels_out_of_limits),
        cmocka_unit_test(too_close_to_tell),
        cmocka_unit_test(rails),
        cmocka_unit_test(a_board_that_is_grounded_elsewhere),
        cmocka_unit_test(a_truck_of_24_volts),
        cmocka_unit_test(an_inductive_sensor),
        cmocka_unit_test(a_catch_with_the_starter_still_in),
        cmocka_unit_test(a_wheel_that_was_not_given),
        cmocka_unit_test(errors_of_the_record_come_through),
        cmocka_unit_test(progress_rises),
        cmocka_unit_test(nothing_at_all),
        cmocka_unit_test(whatever_the_leads_do),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
