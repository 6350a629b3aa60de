// SPDX-License-Identifier: Apache-2.0
/*
 * cranking_test.c - the starter's marks, their stretches, attempts and phases.
 */
#include "cmocka_helper.h"
#include "yard_helper.h"

#include <errno.h>
#include <math.h>
#include <string.h>

static void test_attempt(void **state) {
    (void)state;
    struct yard yard;
    yard_open(&yard);
    size_t battery = yard_lead(&yard, "battery", ROLE_BATTERY, 12.6);
    yard_watch(&yard);
    yard_pass(&yard, 10.0);
    assert_int_equal(yard.note_count, 0);
    yard_engage(&yard);
    yard_pass(&yard, 3.0);
    assert_true(watch_cranking(yard.watch));
    yard_release(&yard);
    yard_pass(&yard, 5.0);
    assert_false(watch_cranking(yard.watch));
    assert_int_equal(watch_attempts(yard.watch), 1);

    assert_int_equal(yard_count(&yard, "cranking"), 2);
    const struct yard_note *engaged = yard_note(&yard, "", 0);
    const struct yard_note *begins = yard_note(&yard, "cranking", 0);
    const struct yard_note *ends = yard_note(&yard, "cranking", 1);
    assert_true(engaged->mark.begins && begins->mark.begins && !ends->mark.begins);
    assert_true(engaged < begins); /* the flush hangs on it */
    assert_near(begins->at_s, 1010.0, 0.05);
    assert_near(engaged->said_s, 1010.0, 0.15);
    assert_near(ends->at_s, 1013.0, 0.1);
    assert_true(ends->said_s < 1014.1);
    assert_int_equal(begins->mark.phase, PHASE_CRANKING);
    assert_int_equal(begins->mark.channel, CHANNEL_NONE);

    /* 20 s before its beginning, 20 s after its end. */
    assert_near(begins->at_s - begins->mark.before_s, 990.0, 0.05);
    assert_near(ends->at_s - ends->mark.before_s, 990.0, 0.05);
    assert_near(ends->at_s + ends->mark.after_s, 1033.0, 0.1);
    (void)battery;
    yard_close(&yard);
}

/* A starter that stays engaged is noted again before the snapshot of its beginning ends. */
static void test_stuck_starter(void **state) {
    (void)state;
    struct yard yard;
    yard_open(&yard);
    yard_lead(&yard, "battery", ROLE_BATTERY, 12.6);
    yard_watch(&yard);
    yard_pass(&yard, 5.0);
    yard_engage(&yard);
    yard_pass(&yard, 50.0);
    yard_release(&yard);
    yard_pass(&yard, 3.0);
    size_t count = yard_count(&yard, "cranking");
    assert_int_equal(count, 4);
    for (size_t i = 1; i < count; i++) {
        const struct yard_note *one = yard_note(&yard, "cranking", i - 1);
        const struct yard_note *next = yard_note(&yard, "cranking", i);
        assert_true(next->said_s < one->at_s + one->mark.after_s - 1.0);
        assert_near(next->at_s - next->mark.before_s, 985.0, 0.1);
    }
    assert_int_equal(watch_attempts(yard.watch), 1);
    yard_close(&yard);
}

static void test_sections(void **state) {
    (void)state;
    struct yard yard;
    yard_open(&yard);
    yard_lead(&yard, "battery", ROLE_BATTERY, 12.6);
    yard_trigger(&yard, "engaged", CHANNEL_NONE)->kind = TRIGGER_CRANKING_BEGINS;
    yard_trigger(&yard, "let-go", CHANNEL_NONE)->kind = TRIGGER_CRANKING_ENDS;
    yard_watch(&yard);
    yard_pass(&yard, 5.0);
    for (int i = 0; i < 2; i++) {
        yard_engage(&yard);
        yard_pass(&yard, 2.0);
        yard_release(&yard);
        yard_pass(&yard, 10.0);
    }
    assert_int_equal(yard_count(&yard, "engaged"), 2);
    assert_int_equal(yard_count(&yard, "let-go"), 2);
    assert_near(yard_note(&yard, "let-go", 1)->at_s, 1019.0, 0.1);
    assert_near(yard_note(&yard, "let-go", 1)->mark.before_s, 5.0, 1e-9);
    assert_int_equal(watch_attempts(yard.watch), 2);
    yard_close(&yard);
}

/* A board that comes back with the description it had interrupts nothing. */
static void test_fitted_again(void **state) {
    (void)state;
    struct yard yard;
    yard_open(&yard);
    yard_lead(&yard, "battery", ROLE_BATTERY, 12.6);
    yard_watch(&yard);
    yard_pass(&yard, 5.0);
    yard_engage(&yard);
    yard_pass(&yard, 1.0);
    assert_true(watch_cranking(yard.watch));
    assert_int_equal(watch_fitted(yard.watch, 0), 0);
    assert_true(watch_cranking(yard.watch));
    assert_int_equal(watch_fitted(yard.watch, 1), -EINVAL);
    /* Another scale is another lead: the phase is not known any more, and the owner hears it. */
    yard.leads[0].scale = scale_line(40.0 / 4095.0, 0.0);
    assert_int_equal(watch_fitted(yard.watch, 0), 0);
    assert_int_equal(watch_phase(yard.watch), PHASE_UNKNOWN);
    assert_false(yard_note(&yard, "", 1)->mark.begins);
    yard_close(&yard);
}

/* Runs of a board that is not fitted, or that does not exist, are left alone. */
static void test_not_fitted(void **state) {
    (void)state;
    struct yard yard;
    yard_open(&yard);
    yard_lead(&yard, "battery", ROLE_BATTERY, 12.6);
    const struct watch_sinks sinks = {0};
    assert_int_equal(watch_new(&yard.hookup, &sinks, &yard.watch), 0);
    yard_pass(&yard, 1.0);
    struct watch_reading reading;
    watch_reading(yard.watch, 0, &reading);
    assert_true(isnan(reading.newest));
    assert_false(reading.fresh);
    assert_int_equal(watch_phase(yard.watch), PHASE_UNKNOWN);
    yard_close(&yard);
    watch_free(NULL);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_attempt),    cmocka_unit_test(test_stuck_starter),
        cmocka_unit_test(test_sections),   cmocka_unit_test(test_fitted_again),
        cmocka_unit_test(test_not_fitted),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
