// SPDX-License-Identifier: Apache-2.0
/*
 * analysis_test.c - whatever the record holds: an answer, or an error.
 */
#include "cmocka_helper.h"
#include "scene_helper.h"

#include <errno.h>
#include <math.h>

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
    scene_done(sheet, analysis);
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
        scene_done(sheet, analysis);
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
        scene_done(sheet, analysis);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(errors_of_the_record_come_through),
        cmocka_unit_test(progress_rises),
        cmocka_unit_test(nothing_at_all),
        cmocka_unit_test(whatever_the_leads_do),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
