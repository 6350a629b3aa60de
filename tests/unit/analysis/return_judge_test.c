// SPDX-License-Identifier: Apache-2.0
/*
 * return_judge_test.c - a return that opens or rises, and what its level can tell.
 */
#include "cmocka_helper.h"
#include "scene_helper.h"

/* The return opens: the feed is low against it, but the feed itself stood. */
static void a_return_that_rises(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.ret, 4.0, 5.0, 3.1);
    sheet_hold(sheet, leads.signal, 4.0, 5.0, 4.9);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_RETURN_OPEN, "not the feed");
    scene_expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_SHOWN, "it stood there");
    scene_expect(sheet, analysis, analysis->verdict.channel == leads.ret, "the return is named");
    scene_expect(sheet, analysis,
                 analysis->verdict.at_from_s <= 4.0 && analysis->verdict.at_to_s >= 4.0 &&
                     analysis->verdict.at_to_s - analysis->verdict.at_from_s < 0.003,
                 "when it opened");
    scene_expect(sheet, analysis,
                 scene_check(analysis, "return level", 1, PHASE_CRANKING)->result == CHECK_FAIL,
                 "its check failed");
    scene_done(sheet, analysis);
}

/* A return above its limit all along while the starter turns; its feed stays. */
static void a_return_out_of_its_limit(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.ret, 3.0, 6.0, 0.17);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis, analysis->verdict.fault == FAULT_RETURN_RISE, "verdict");
    scene_expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_SHOWN,
                 "the feed stayed");
    scene_expect(sheet, analysis, scene_says(&analysis->verdict.because, "crank-feed did not rise"),
                 "why it is not the ground");
    scene_done(sheet, analysis);
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
        scene_expect(sheet, analysis,
                     scene_check(analysis, "return, first surge", 1, PHASE_CRANKING)->result ==
                         cases[i].result,
                     "first surge");
        scene_expect(sheet, analysis,
                     scene_check(analysis, "return level", 1, PHASE_CRANKING)->result == CHECK_PASS,
                     "later");
        scene_done(sheet, analysis);
    }
}

/* So near the limit that the measurement cannot tell. */
static void too_close_to_tell(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.ret, 3.0, 6.0, 0.0985);
    struct analysis *analysis = scene_analyse(sheet);
    const struct analysis_check *check = scene_check(analysis, "return level", 1, PHASE_CRANKING);
    scene_expect(sheet, analysis, check->result == CHECK_TOO_CLOSE && check->why != NULL,
                 "too close");
    scene_done(sheet, analysis);
}

static void a_board_that_is_grounded_elsewhere(void **state) {
    (void)state;
    struct scene_leads leads;
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet->vehicle.ground = GROUND_ENGINE;
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis,
                 scene_check(analysis, "return level", 1, PHASE_CRANKING)->result ==
                     CHECK_NOT_POSSIBLE,
                 "absolute levels mean nothing");
    scene_expect(sheet, analysis,
                 scene_check(analysis, "feed level", 1, PHASE_CRANKING)->result == CHECK_PASS,
                 "differences do");
    scene_done(sheet, analysis);
}

static void rails(void **state) {
    (void)state;
    struct scene_leads leads;
    /* a unipolar input at its lower end: a return cannot be called good */
    struct sheet *sheet = scene_draw(&(struct scene){0}, &leads);
    sheet_hold(sheet, leads.ret, 0.0, 14.0, -0.03);
    struct analysis *analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis,
                 scene_check(analysis, "return level", 1, PHASE_CRANKING)->result ==
                     CHECK_NOT_POSSIBLE,
                 "return");
    scene_expect(sheet, analysis, analysis->verdict.certainty == CERTAINTY_LIKELY, "less is known");
    scene_done(sheet, analysis);

    /* a feed at the upper end: its value is not known */
    sheet =
        scene_draw(&(struct scene){.watched = WATCH_BATTERY | WATCH_RETURN | WATCH_SIGNAL}, &leads);
    size_t feed = sheet_channel(sheet, "crank-feed", ROLE_FEED, 0.0, 5.0);
    sheet->sensors[leads.sensor].feed = feed;
    sheet_hold(sheet, feed, 1.0, 14.0, 5.4);
    analysis = scene_analyse(sheet);
    scene_expect(sheet, analysis,
                 scene_check(analysis, "feed level", 1, PHASE_CRANKING)->result ==
                     CHECK_NOT_POSSIBLE,
                 "feed");
    scene_done(sheet, analysis);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_return_that_rises),
        cmocka_unit_test(a_return_out_of_its_limit),
        cmocka_unit_test(a_return_in_the_first_surge),
        cmocka_unit_test(too_close_to_tell),
        cmocka_unit_test(a_board_that_is_grounded_elsewhere),
        cmocka_unit_test(rails),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
