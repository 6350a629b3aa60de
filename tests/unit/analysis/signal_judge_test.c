// SPDX-License-Identifier: Apache-2.0
/*
 * signal_judge_test.c - what a signal shows, and what a board too slow for it cannot.
 */
#include "cmocka_helper.h"
#include "scene_helper.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

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
    scene_expect(sheet, analysis,
                 is_near(level->low, 0.12, 0.01) && is_near(level->high, 4.98, 0.01), "levels");
    /* up for the first tenth of a second, before the engine turns, and behind the release, drawn
       at 6 s and seen within the recovery */
    double length = analysis->attempts[0].to_s - 3.0;
    double duty = (2.9 * 20.0 / 280.0 + length - 2.9) / length;
    scene_expect(sheet, analysis, is_near(level->duty, duty, 0.005), "duty");
    scene_expect(sheet, analysis, is_near(level->average, 0.12 + duty * 4.86, 0.03), "average");
    scene_expect(sheet, analysis, is_near(level->average, 0.6, 0.1), "what the meter shows");
    const struct analysis_check *check =
        scene_check(analysis, "average of signal", 1, PHASE_CRANKING);
    scene_expect(sheet, analysis, check->result == CHECK_PASS, "explained");
    /* two edges every 28 ms */
    scene_expect(sheet, analysis, is_near(level->edges_per_s, 2.0 / 0.028 * 2.9 / length, 1.5),
                 "edges");
    scene_done(sheet, analysis);
}

/* A board too slow for the wheel: no levels, no speed, and the rate that would do. */
static void a_signal_sampled_too_slowly(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){.rate_hz = 1000.0}, &leads);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    const struct analysis_check *check =
        scene_check(analysis, "low of the signal", 1, PHASE_CRANKING);
    scene_expect(sheet, analysis, check->result == CHECK_NOT_POSSIBLE, "not possible");
    /* 60 places at 190 rpm, half up: 2.63 ms a state; five samples need 1900 scans/s */
    double rate = 0.0;
    assert_int_equal(sscanf(strstr(check->why, "from "), "from %lf", &rate), 1);
    scene_expect(sheet, analysis, rate > 1700.0 && rate < 2700.0, "the rate that would do");
    /* the speed is that of the compressions in the battery */
    scene_expect(sheet, analysis, strcmp(analysis->attempts[0].rpm_source, "battery") == 0,
                 "source");
    scene_expect(sheet, analysis, is_near(analysis->attempts[0].rpm, 190.0, 2.0), "speed");
    scene_expect(sheet, analysis,
                 isnan(level_of(analysis, leads.signal, PHASE_CRANKING)->edges_per_s), "no rate");
    scene_expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_LIKELY, "less is known");
    scene_expect(sheet, analysis, scene_says(&analysis->verdict.not_tested, "crank-signal"),
                 "and said so");
    scene_done(sheet, analysis);
}

static void hall_levels_out_of_limits(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_wheel(sheet, leads.signal, 3.1, 6.0, 60, 2, 190.0, 0.9, 4.1);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(
        sheet, analysis,
        scene_check(analysis, "low of the signal", 1, PHASE_CRANKING)->result == CHECK_FAIL, "low");
    scene_expect(sheet, analysis,
                 scene_check(analysis, "high of the signal", 1, PHASE_CRANKING)->result ==
                     CHECK_FAIL,
                 "high");
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_SIGNAL_WEAK, "weak");
    scene_expect(sheet, analysis, analysis->verdict.channel == leads.signal, "its signal");
    scene_done(sheet, analysis);
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
    scene_expect(sheet, analysis, analysis->attempt_count == 1, "one attempt");
    scene_expect(sheet, analysis, is_near(analysis->attempts[0].rpm, 190.0, 0.5), "rpm");
    scene_expect(sheet, analysis, analysis->attempts[0].outcome == OUTCOME_DID_NOT_START,
                 "outcome");
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_NOTHING_FOUND,
                 "no feed to blame");
    scene_expect(sheet, analysis, !scene_says(&analysis->verdict.not_tested, "feed of sensor"),
                 "it has no feed that could be watched");
    scene_done(sheet, analysis);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_an_averaging_meter_shows),
        cmocka_unit_test(a_signal_sampled_too_slowly),
        cmocka_unit_test(hall_levels_out_of_limits),
        cmocka_unit_test(an_inductive_sensor),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
