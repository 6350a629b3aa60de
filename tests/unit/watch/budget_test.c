// SPDX-License-Identifier: Apache-2.0
/*
 * budget_test.c - what a trigger may have saved of an hour; attempts are always saved.
 */
#include "cmocka_helper.h"
#include "yard_helper.h"

#include <math.h>
#include <string.h>

/* A feed that collapses for a moment so often, with 10 s saved after and 5 s before each time. */
static void flap(struct yard *yard, size_t lead, unsigned times, double every_s) {
    for (unsigned i = 0; i < times; i++) {
        yard->volts[lead] = 3.0;
        yard_pass(yard, 0.2);
        yard->volts[lead] = 5.0;
        yard_pass(yard, every_s - 0.2);
    }
}

static size_t open_storm(struct yard *yard, double budget_s) {
    yard_open(yard);
    yard->rate_hz = 200.0;
    yard_lead(yard, "battery", ROLE_BATTERY, 12.6);
    size_t lead = yard_lead(yard, "probe", ROLE_OTHER, 5.0);
    struct hookup_trigger *trigger = yard_trigger(yard, "flaps", lead);
    trigger->kind = TRIGGER_BELOW;
    trigger->level = 4.0;
    trigger->budget_s = budget_s;
    yard_watch(yard);
    yard_pass(yard, 2.0);
    return lead;
}

/* Beginnings that were suppressed, or saved. */
static unsigned beginnings(const struct yard *yard, const char *trigger, bool suppressed) {
    unsigned found = 0;
    for (size_t i = 0; i < yard_count(yard, trigger); i++) {
        const struct watch_mark *mark = &yard_note(yard, trigger, i)->mark;
        found += mark->begins && mark->suppressed == suppressed;
    }
    return found;
}

/*
 * 60 s an hour, and every event asks for 15.2 s of its own (5 s before, 0.2 s of itself, 10 s after
 * its end): 4 of them leave a little, the fifth overdraws, the rest of the 12 is suppressed.
 */
static void test_storm(void **state) {
    (void)state;
    struct yard yard;
    struct watch_storm storm;
    size_t lead = open_storm(&yard, 60.0);
    assert_false(watch_storm(yard.watch, 0, &storm));
    flap(&yard, lead, 12, 20.0);
    unsigned saved = beginnings(&yard, "flaps", false);
    assert_in_range(saved, 4, 5); /* 240 s fill up 4 s more */
    assert_int_equal(beginnings(&yard, "flaps", true), 12 - saved);
    assert_int_equal(yard_count(&yard, "flaps"), 24); /* every one of them is still a mark */
    assert_true(watch_storm(yard.watch, 0, &storm));
    assert_string_equal(storm.trigger, "flaps");
    assert_int_equal(storm.channel, lead);
    assert_int_equal(storm.suppressed, 12 - saved);
    assert_near((double)storm.latest_ns * 1e-9, 1002.0 + 11 * 20.0, 0.01);
    assert_false(watch_storm(yard.watch, 1, &storm));
    /* The end of one that was suppressed saves nothing either. */
    const struct watch_mark *end = &yard_note(&yard, "flaps", 23)->mark;
    assert_false(end->begins || end->suppressed);
    assert_near(end->before_s + end->after_s, 0.0, 1e-9);
    yard_close(&yard);
}

/* Stretches that overlap are paid for once. */
static void test_overlap(void **state) {
    (void)state;
    struct yard yard;
    size_t lead = open_storm(&yard, 60.0);
    flap(&yard, lead, 10, 2.0); /* 1002 s to 1020 s: from 997 s to 1030 s, 33 s */
    assert_int_equal(beginnings(&yard, "flaps", false), 10);
    assert_int_equal(beginnings(&yard, "flaps", true), 0);
    yard_close(&yard);
}

/* An hour later the budget is full again. */
static void test_refill(void **state) {
    (void)state;
    struct yard yard;
    size_t lead = open_storm(&yard, 60.0);
    flap(&yard, lead, 12, 20.0);
    unsigned before = beginnings(&yard, "flaps", false);
    yard_pass(&yard, 3700.0);
    flap(&yard, lead, 12, 20.0);
    assert_in_range(beginnings(&yard, "flaps", false) - before, 4, 5);
    yard_close(&yard);
}

/* A budget of nothing: marks only. */
static void test_marks_only(void **state) {
    (void)state;
    struct yard yard;
    size_t lead = open_storm(&yard, 0.0);
    flap(&yard, lead, 3, 20.0);
    assert_int_equal(beginnings(&yard, "flaps", true), 3);
    assert_int_equal(beginnings(&yard, "flaps", false), 0);
    yard_close(&yard);
}

/* However it storms, every attempt is saved, and so is a trigger that does not storm. */
static void test_attempts_are_always_saved(void **state) {
    (void)state;
    struct yard yard;
    size_t lead = open_storm(&yard, 0.0);
    for (int i = 0; i < 10; i++) {
        flap(&yard, lead, 1, 5.0);
        yard_engage(&yard);
        yard_pass(&yard, 3.0);
        yard_release(&yard);
        yard_pass(&yard, 5.0);
    }
    assert_int_equal(watch_attempts(yard.watch), 10);
    assert_int_equal(beginnings(&yard, "cranking", false), 10);
    assert_int_equal(beginnings(&yard, "cranking", true), 0);
    assert_int_equal(beginnings(&yard, "flaps", true), 10);
    yard_close(&yard);
}

/* A feed's own trigger has the budget of [storage]. */
static void test_feed(void **state) {
    (void)state;
    struct yard yard;
    struct watch_storm storm;
    yard_open(&yard);
    yard.hookup.storage.budget_s = 90.0; /* two of 40.2 s, and a third that overdraws */
    size_t feed = yard_lead(&yard, "crank-feed", ROLE_FEED, 5.0);
    yard_lead(&yard, "ignition", ROLE_IGNITION, 12.6);
    yard_watch(&yard);
    yard_pass(&yard, 5.0);
    flap(&yard, feed, 6, 60.0);
    assert_in_range(beginnings(&yard, "feed", false), 3, 3);
    assert_int_equal(beginnings(&yard, "feed", true), 3);
    assert_true(watch_storm(yard.watch, 0, &storm));
    assert_string_equal(storm.trigger, "feed");
    assert_int_equal(storm.channel, feed);
    assert_int_equal(storm.suppressed, 3);
    yard_close(&yard);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_storm),
        cmocka_unit_test(test_overlap),
        cmocka_unit_test(test_refill),
        cmocka_unit_test(test_marks_only),
        cmocka_unit_test(test_attempts_are_always_saved),
        cmocka_unit_test(test_feed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
