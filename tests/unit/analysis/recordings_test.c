// SPDX-License-Identifier: Apache-2.0
/*
 * recordings_test.c - real engines: edges beside a battery, feed and return that fit them.
 *
 * Speeds and what each recording shows are those of SOURCES.md of the recordings. The analogue
 * leads are drawn by the test: the recordings of edges have none.
 */
#include "analysis.h"

#include "cmocka_helper.h"
#include "recording_helper.h"
#include "scene_helper.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define LEAD_IN_S 4.0
#define LOW_V     0.04
#define HIGH_V    4.98

struct engine {
    const char *file;
    size_t column;
    struct wheel wheel;
    double first_edge_s;     /* of the cranking, on the recording's own axis */
    double released_s;       /* the starter lets go; 0: at the recording's end */
    double slowest, fastest; /* cranking, rpm, SOURCES.md; 0: not given there */
    enum outcome outcome;
};

static const struct engine engines[] = {
    /* "crank 2 teeth a turn + cam; 8.9 s of cranking that never catches, 152 -> 218 rpm" */
    {"edges-2-teeth-cam-no-start.csv",
     1,
     {2, 0, 0},
     1.4948,
     0.0,
     152.0,
     218.0,
     OUTCOME_DID_NOT_START},
    /* "13 edges a turn ...; a burst of 2-5 us glitches at 1.7818 s, cranks 128-203 rpm, catches" */
    {"edges-13-teeth-two-cams-catches.csv",
     1,
     {13, 0, 0},
     1.7818,
     3.2,
     128.0,
     203.0,
     OUTCOME_STARTED},
    /* "13 edges a turn, no compression: dead steady 188-190 rpm, 3.1 s" */
    {"edges-plugs-out-steady.csv", 1, {13, 0, 0}, 0.0142, 0.0, 188.0, 190.0, OUTCOME_DID_NOT_START},
    /* "24 duty-coded teeth a turn, from rest 95 -> 136 rpm, 1.4 s" */
    {"edges-24-teeth-from-rest.csv",
     1,
     {24, 0, 0},
     0.0334,
     0.0,
     95.0,
     136.0,
     OUTCOME_DID_NOT_START},
    /* "4 uneven teeth a turn (70/110 degrees) + cam; cranks 180-232 rpm, catches, runs; 9.8 s" */
    {"edges-crank-cam-catches.csv", 1, {4, 0, 0}, 1.5753, 3.0, 180.0, 232.0, OUTCOME_STARTED},
    /* "36-2 wheel, 308-329 rpm, noisy, 80 us resolution" */
    {"edges-36-2-noisy.csv", 1, {36, 2, 0}, 0.0001, 0.0, 308.0, 329.0, OUTCOME_DID_NOT_START},
};

/* The four leads; the recording begins LEAD_IN_S into the sheet. */
static struct sheet *draw(const struct engine *engine, double rate_hz, struct scene_leads *leads,
                          double *engaged_s, double *released_s) {
    struct recording recording;
    recording_read(engine->file, engine->column, &recording);
    double length_s = recording.times[recording.rows - 1];
    bool runs_on = engine->released_s > 0.0;
    *engaged_s = LEAD_IN_S + engine->first_edge_s - 0.12;
    *released_s = LEAD_IN_S + (runs_on ? engine->released_s : length_s);
    double seconds = LEAD_IN_S + length_s + (runs_on ? 0.0 : 3.0);
    struct scene scene = {
        .rate_hz = rate_hz,
        .seconds = seconds,
        .engaged_s = *engaged_s,
        .released_s = *released_s,
        .catches_s = runs_on ? *released_s : 0.0,
    };
    struct sheet *sheet = scene_draw(&scene, leads);
    sheet->sensors[leads->sensor].wheel = engine->wheel;
    sheet->noise[leads->signal] = 0.02;
    sheet_hold(sheet, leads->signal, 1.0, seconds, recording.values[0] > 0.5 ? HIGH_V : LOW_V);
    recording_draw_edges(sheet, leads->signal, &recording, LEAD_IN_S, LOW_V, HIGH_V);
    if (!runs_on)
        sheet_hold(sheet, leads->signal, LEAD_IN_S + length_s, seconds,
                   recording.values[recording.rows - 1] > 0.5 ? HIGH_V : LOW_V);
    recording_free(&recording);
    return sheet;
}

static void need(const struct sheet *sheet, const struct analysis *analysis, bool holds,
                 const char *what) {
    if (holds)
        return;
    scene_print(sheet, analysis);
    fail_msg("%s", what);
}

static void check_engine(const struct engine *engine, double rate_hz) {
    struct scene_leads leads;
    double engaged_s;
    double released_s;
    struct sheet *sheet = draw(engine, rate_hz, &leads, &engaged_s, &released_s);
    struct analysis *analysis = scene_analyse(sheet);
    need(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    const struct analysis_attempt *attempt = &analysis->attempts[0];
    print_message("%s at %.0f S/s: %.1f rpm (%.1f to %.1f), %s\n", engine->file, rate_hz,
                  attempt->rpm, attempt->rpm_low, attempt->rpm_high,
                  outcome_name(attempt->outcome));
    need(sheet, analysis, attempt->outcome == engine->outcome, "outcome");
    need(sheet, analysis, fabs(attempt->from_s - engaged_s) < 0.003, "engagement");
    need(sheet, analysis, fabs(attempt->to_s - released_s) < 0.06, "release");
    need(sheet, analysis,
         attempt->rpm >= engine->slowest - 1.0 && attempt->rpm <= engine->fastest + 1.0,
         "cranking speed");
    need(sheet, analysis, analysis->verdict.fault == FAULT_NOTHING_FOUND, "no fault");
    need(sheet, analysis, analysis->finding_count == 0, "no finding");
    const struct analysis_check *low =
        scene_check(analysis, "low of the signal", 1, PHASE_CRANKING);
    need(sheet, analysis, low->result == CHECK_PASS, "low of the signal");
    analysis_free(analysis);
    sheet_free(sheet);
}

static void engines_without_a_fault(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof engines / sizeof engines[0]; i++) {
        check_engine(&engines[i], 10000.0);
        check_engine(&engines[i], 20000.0);
    }
}

/* The same engines; the feed falls for a while in the middle, and the signal is lost with it. */
static void engines_with_a_feed_that_collapses(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof engines / sizeof engines[0]; i++) {
        struct scene_leads leads;
        double engaged_s;
        double released_s;
        struct sheet *sheet = draw(&engines[i], 10000.0, &leads, &engaged_s, &released_s);
        double from_s = engaged_s + 0.6 * (released_s - engaged_s);
        scene_collapse(sheet, &leads, from_s, from_s + 0.3, 0.06);
        struct analysis *analysis = scene_analyse(sheet);
        const struct analysis_verdict *verdict = &analysis->verdict;
        print_message("%s: %s, %s\n", engines[i].file, fault_name(verdict->fault),
                      certainty_name(verdict->certainty));
        need(sheet, analysis, verdict->fault == FAULT_FEED_COLLAPSE, "feed-collapse");
        need(sheet, analysis, verdict->certainty == CERTAINTY_SHOWN, "shown");
        need(sheet, analysis,
             verdict->channel == leads.feed && verdict->sensor == leads.sensor &&
                 strcmp(fault_circuit(verdict->fault), "feed") == 0,
             "circuit, sensor and channel");
        need(sheet, analysis,
             verdict->at_from_s <= from_s + 1e-4 && verdict->at_to_s >= from_s - 1e-4 &&
                 verdict->at_to_s - verdict->at_from_s < 2.1e-4,
             "onset");
        analysis_free(analysis);
        sheet_free(sheet);
    }
}

/* "36-2-1 wheel ..., running at 1401-1438 rpm, 1.3 s": nobody cranks. */
static void an_engine_that_runs(void **state) {
    (void)state;
    struct recording recording;
    recording_read("edges-running.csv", 1, &recording);
    double length_s = recording.times[recording.rows - 1];
    struct sheet *sheet = sheet_new(40000.0, 0.0, length_s, 12.0);
    size_t battery = sheet_channel(sheet, "battery", ROLE_BATTERY, 0.0, 20.0);
    size_t signal = sheet_channel(sheet, "crank-signal", ROLE_SIGNAL, 0.0, 6.0);
    size_t sensor = sheet_sensor(sheet, "crank", SENSOR_HALL, CHANNEL_NONE, CHANNEL_NONE, signal);
    sheet->sensors[sensor].wheel = (struct wheel){36, 2, 1};
    sheet_hold(sheet, battery, 0.0, length_s, 14.1);
    recording_draw_edges(sheet, signal, &recording, 0.0, LOW_V, HIGH_V);
    recording_free(&recording);
    struct analysis *analysis = scene_analyse(sheet);
    need(sheet, analysis, analysis->attempt_count == 0, "no attempt");
    need(sheet, analysis, analysis->verdict.fault == FAULT_NOTHING_FOUND, "no fault");
    const struct analysis_phase *last = &analysis->phases[analysis->phase_count - 1];
    need(sheet, analysis, last->phase == PHASE_RUNNING && last->from_s < 0.2, "it runs");
    analysis_free(analysis);
    sheet_free(sheet);
}

/*
 * "inductive sensor, 60-2 wheel, steady cranking; 6.0 s, 40 mV steps, 2.14-4.98 V around 3.58 V,
 * unclipped; 58 teeth between every gap; 160-161 wheel rev/min"
 */
static void an_inductive_sensor_cranking(void **state) {
    (void)state;
    struct recording recording;
    recording_read("analog-60-2-steady.csv", 1, &recording);
    double length_s = recording.times[recording.rows - 1];
    struct scene scene = {
        .watched = WATCH_BATTERY,
        .seconds = length_s + 6.0,
        .engaged_s = 2.9,
        .released_s = 3.0 + length_s,
    };
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&scene, &leads);
    size_t signal = sheet_channel(sheet, "crank-coil", ROLE_SIGNAL, 0.0, 5.0);
    sheet->sensors[leads.sensor].kind = SENSOR_INDUCTIVE;
    sheet->sensors[leads.sensor].signal = signal;
    sheet_hold(sheet, signal, 0.0, scene.seconds, 3.58);
    recording_draw_volts(sheet, signal, &recording, 3.0);
    recording_free(&recording);
    struct analysis *analysis = scene_analyse(sheet);
    need(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    const struct analysis_attempt *attempt = &analysis->attempts[0];
    print_message("%.2f rpm (%.2f to %.2f), %s\n", attempt->rpm, attempt->rpm_low,
                  attempt->rpm_high, outcome_name(attempt->outcome));
    need(sheet, analysis, attempt->rpm >= 160.0 && attempt->rpm <= 161.0, "160-161 rpm");
    need(sheet, analysis, attempt->rpm_low > 158.0 && attempt->rpm_high < 163.0, "steady");
    need(sheet, analysis, attempt->outcome == OUTCOME_DID_NOT_START, "outcome");
    analysis_free(analysis);
    sheet_free(sheet);
}

/*
 * "same wheel: crank, catch, run-up; revs at 175, 208, 235, 259, 280, 300, 317, 334, 349 per min,
 * then about 4 samples a tooth; clipped at both rails from 2.2 s"
 */
static void an_inductive_sensor_running_up(void **state) {
    (void)state;
    struct recording recording;
    recording_read("analog-60-2-runup.csv", 1, &recording);
    double length_s = recording.times[recording.rows - 1];
    struct scene scene = {
        .watched = WATCH_BATTERY,
        .seconds = length_s + 2.9,
        .engaged_s = 2.9,
        .released_s = 3.0 + 2.2,
        .catches_s = 3.0 + 2.2,
    };
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&scene, &leads);
    size_t signal = sheet_channel(sheet, "crank-coil", ROLE_SIGNAL, -1.54, 10.2);
    sheet->sensors[leads.sensor].kind = SENSOR_INDUCTIVE;
    sheet->sensors[leads.sensor].signal = signal;
    sheet_hold(sheet, signal, 0.0, 3.0, 3.58);
    recording_draw_volts(sheet, signal, &recording, 3.0);
    recording_free(&recording);
    struct analysis *analysis = scene_analyse(sheet);
    need(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    const struct analysis_attempt *attempt = &analysis->attempts[0];
    print_message("%.2f rpm (%.2f to %.2f), %s\n", attempt->rpm, attempt->rpm_low,
                  attempt->rpm_high, outcome_name(attempt->outcome));
    need(sheet, analysis, attempt->outcome == OUTCOME_STARTED, "outcome");
    need(sheet, analysis, attempt->rpm_low >= 170.0 && attempt->rpm_high <= 450.0, "speed");
    analysis_free(analysis);
    sheet_free(sheet);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(engines_without_a_fault),
        cmocka_unit_test(engines_with_a_feed_that_collapses),
        cmocka_unit_test(an_engine_that_runs),
        cmocka_unit_test(an_inductive_sensor_cranking),
        cmocka_unit_test(an_inductive_sensor_running_up),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
