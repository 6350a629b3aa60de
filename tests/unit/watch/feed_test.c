// SPDX-License-Identifier: Apache-2.0
/*
 * feed_test.c - feeds outside their limit, and feeds that only went off with the key.
 */
#include "cmocka_helper.h"
#include "yard_helper.h"

#include <math.h>
#include <string.h>

struct van {
    struct yard yard;
    size_t battery, feed, second, ignition;
};

/* What a van is watched with. */
enum { WITH_BATTERY = 1, WITH_SECOND_FEED = 2, WITH_IGNITION = 4 };

static void open_van(struct van *van, unsigned with) {
    struct yard *yard = &van->yard;
    yard_open(yard);
    van->feed = yard_lead(yard, "crank-feed", ROLE_FEED, 0.0);
    van->battery = van->second = van->ignition = CHANNEL_NONE;
    if (with & WITH_BATTERY)
        van->battery = yard_lead(yard, "battery", ROLE_BATTERY, 12.6);
    if (with & WITH_SECOND_FEED)
        van->second = yard_lead(yard, "cam-feed", ROLE_FEED, 0.0);
    if (with & WITH_IGNITION)
        van->ignition = yard_lead(yard, "ignition", ROLE_IGNITION, 0.0);
    yard_watch(yard);
    yard_pass(yard, 3.0);
}

static void turn_key(struct van *van, bool on) {
    if (van->ignition != CHANNEL_NONE)
        van->yard.volts[van->ignition] = on ? 12.6 : 0.0;
    yard_pass(&van->yard, 0.02); /* the relay */
    van->yard.volts[van->feed] = on ? 5.0 : 0.0;
    if (van->second != CHANNEL_NONE)
        van->yard.volts[van->second] = on ? 5.0 : 0.0;
}

/* Whatever leads there are: the key on and off again is no event, nor is a start. */
static void test_key_off_is_no_event(void **state) {
    (void)state;
    for (unsigned with = 0; with < 8; with++) {
        struct van van;
        open_van(&van, with);
        for (int i = 0; i < 3; i++) {
            turn_key(&van, true);
            yard_pass(&van.yard, 4.0);
            turn_key(&van, false);
            yard_pass(&van.yard, 6.0);
        }
        assert_int_equal(yard_count(&van.yard, "feed"), 0);
        yard_close(&van.yard);
    }
}

/* The driver gives up and turns the key back in one move: starter and feed go at once. */
static void test_key_off_from_cranking(void **state) {
    (void)state;
    for (unsigned with = 0; with < 8; with++) {
        struct van van;
        if (!(with & WITH_BATTERY))
            continue;
        open_van(&van, with);
        turn_key(&van, true);
        yard_pass(&van.yard, 2.0);
        yard_engage(&van.yard);
        yard_pass(&van.yard, 4.0);
        yard_release(&van.yard);
        turn_key(&van, false);
        yard_pass(&van.yard, 6.0);
        assert_int_equal(watch_attempts(van.yard.watch), 1);
        assert_int_equal(yard_count(&van.yard, "feed"), 0);
        yard_close(&van.yard);
    }
}

/* The engine is switched off; the battery still stands at what the alternator left, and no lead
 * shows the key. With another feed that stands, the same fall is the one feed's own. */
static void test_key_off_from_running(void **state) {
    (void)state;
    for (int other_stands = 0; other_stands < 2; other_stands++) {
        struct van van;
        open_van(&van, WITH_BATTERY | WITH_SECOND_FEED);
        turn_key(&van, true);
        yard_pass(&van.yard, 2.0);
        yard_engage(&van.yard);
        yard_pass(&van.yard, 1.5);
        van.yard.rest = 14.2;
        yard_release(&van.yard);
        yard_pass(&van.yard, 10.0);
        assert_int_equal(watch_phase(van.yard.watch), PHASE_RUNNING);
        van.yard.volts[van.feed] = 0.0;
        if (!other_stands)
            van.yard.volts[van.second] = 0.0;
        yard_pass(&van.yard, 5.0);
        assert_int_equal(yard_count(&van.yard, "feed"), other_stands);
        yard_close(&van.yard);
    }
}

/* A feed with nothing beside it: a fall that is not to nothing is an event. */
static void test_partial_fall(void **state) {
    (void)state;
    for (unsigned with = 0; with < 8; with++) {
        struct van van;
        open_van(&van, with);
        turn_key(&van, true);
        yard_pass(&van.yard, 3.0);
        double at_s = van.yard.now_s;
        van.yard.volts[van.feed] = 3.2;
        yard_pass(&van.yard, 5.0);
        assert_int_equal(yard_count(&van.yard, "feed"), 1);
        const struct yard_note *begins = yard_note(&van.yard, "feed", 0);
        assert_true(begins->mark.begins);
        assert_int_equal(begins->mark.channel, van.feed);
        assert_near(begins->at_s, at_s, 0.002);
        assert_near(begins->mark.value, 3.2, 0.01);
        assert_int_equal(begins->mark.phase, PHASE_KEY_ON);
        assert_true(begins->said_s - at_s < 1.6);
        assert_non_null(strstr(begins->text, "fell to 3.20 V with the key on"));
        van.yard.volts[van.feed] = 5.0;
        yard_pass(&van.yard, 3.0);
        assert_int_equal(yard_count(&van.yard, "feed"), 2);
        const struct yard_note *ends = yard_note(&van.yard, "feed", 1);
        assert_false(ends->mark.begins);
        assert_near(ends->at_s, at_s + 5.0, 0.002);
        assert_near(ends->mark.after_s, 20.0, 1e-9); /* it lengthens the same snapshot */
        yard_close(&van.yard);
    }
}

/* A fall to nothing that comes back is an event as well. */
static void test_dip(void **state) {
    (void)state;
    for (unsigned with = 0; with < 8; with++) {
        struct van van;
        open_van(&van, with);
        turn_key(&van, true);
        yard_pass(&van.yard, 3.0);
        double at_s = van.yard.now_s;
        van.yard.volts[van.feed] = 0.0;
        yard_pass(&van.yard, 0.1);
        van.yard.volts[van.feed] = 5.0;
        yard_pass(&van.yard, 3.0);
        assert_int_equal(yard_count(&van.yard, "feed"), 2);
        assert_near(yard_note(&van.yard, "feed", 0)->at_s, at_s, 0.002);
        assert_near(yard_note(&van.yard, "feed", 1)->at_s, at_s + 0.1, 0.002);
        yard_close(&van.yard);
    }
}

/* With a lead that shows the key, a fall to nothing that stays is one too. */
static void test_collapse_with_the_key_shown(void **state) {
    (void)state;
    static const unsigned shown[] = {WITH_IGNITION, WITH_SECOND_FEED, WITH_BATTERY | WITH_IGNITION};
    for (size_t i = 0; i < sizeof shown / sizeof shown[0]; i++) {
        struct van van;
        open_van(&van, shown[i]);
        turn_key(&van, true);
        yard_pass(&van.yard, 3.0);
        van.yard.volts[van.feed] = 0.02;
        yard_pass(&van.yard, 4.0);
        assert_int_equal(yard_count(&van.yard, "feed"), 1);
        turn_key(&van, false);
        yard_pass(&van.yard, 4.0);
        /* Over with the key, and once only. */
        assert_int_equal(yard_count(&van.yard, "feed"), 2);
        assert_false(yard_note(&van.yard, "feed", 1)->mark.begins);
        yard_close(&van.yard);
    }
}

/* The one the tool exists for: the feed lets go while the battery holds. The driver gives up soon
 * after, which must not make a key-off of it. */
static void test_collapse_while_cranking(void **state) {
    (void)state;
    for (double after_s = 0.4; after_s < 4.0; after_s *= 2.0) {
        struct van van;
        open_van(&van, WITH_BATTERY);
        turn_key(&van, true);
        yard_pass(&van.yard, 2.0);
        yard_engage(&van.yard);
        yard_pass(&van.yard, 1.5);
        double at_s = van.yard.now_s;
        van.yard.volts[van.feed] = 0.03;
        yard_pass(&van.yard, after_s);
        yard_release(&van.yard);
        yard_pass(&van.yard, 4.0);
        const struct yard_note *begins = yard_note(&van.yard, "feed", 0);
        assert_non_null(begins);
        assert_true(begins->mark.begins);
        assert_int_equal(begins->mark.phase, PHASE_CRANKING);
        assert_near(begins->at_s, at_s, 0.002);
        assert_near(begins->mark.value, 0.03, 0.01);
        yard_close(&van.yard);
    }
}

/* A feed that never comes up is seen when the starter engages. */
static void test_never_up(void **state) {
    (void)state;
    struct van van;
    open_van(&van, WITH_BATTERY);
    yard_pass(&van.yard, 5.0);
    assert_int_equal(yard_count(&van.yard, "feed"), 0);
    yard_engage(&van.yard);
    double at_s = van.yard.now_s;
    yard_pass(&van.yard, 2.0);
    assert_int_equal(yard_count(&van.yard, "feed"), 1);
    assert_near(yard_note(&van.yard, "feed", 0)->at_s, at_s, 0.05);
    assert_non_null(
        strstr(yard_note(&van.yard, "feed", 0)->text, "stayed at 0.00 V while cranking"));
    yard_release(&van.yard);
    yard_pass(&van.yard, 10.0);
    assert_int_equal(yard_count(&van.yard, "feed"), 2); /* over with the key, and not again */
    yard_close(&van.yard);
}

/* The surge's first milliseconds are exempt; what lasts is not. */
static void test_inrush(void **state) {
    (void)state;
    for (int lasts = 0; lasts < 2; lasts++) {
        struct van van;
        open_van(&van, WITH_BATTERY | WITH_IGNITION);
        turn_key(&van, true);
        yard_pass(&van.yard, 2.0);
        yard_engage(&van.yard);
        van.yard.volts[van.feed] = 4.2;
        yard_pass(&van.yard, lasts ? 0.2 : 0.03);
        van.yard.volts[van.feed] = 5.0;
        yard_pass(&van.yard, 3.0);
        assert_int_equal(yard_count(&van.yard, "feed"), lasts ? 2 : 0);
        yard_close(&van.yard);
    }
}

/* A feed from the battery follows it by design, until it does not. */
static void test_feed_of_the_battery(void **state) {
    (void)state;
    struct van van;
    struct yard *yard = &van.yard;
    yard_open(yard);
    van.battery = yard_lead(yard, "battery", ROLE_BATTERY, 12.6);
    van.ignition = yard_lead(yard, "ignition", ROLE_IGNITION, 12.6);
    van.feed = yard_lead(yard, "injector-feed", ROLE_FEED, 12.6);
    yard->leads[van.feed].nominal = (double)NAN;
    yard->leads[van.feed].nominal_is_battery = true;
    yard->follows[van.feed] = true;
    yard_watch(yard);
    yard_pass(yard, 3.0);
    yard_engage(yard);
    yard_pass(yard, 3.0);
    yard_release(yard);
    yard_pass(yard, 5.0);
    assert_int_equal(yard_count(yard, "feed"), 0);
    yard->follows[van.feed] = false;
    yard->volts[van.feed] = 9.0;
    yard_pass(yard, 3.0);
    assert_int_equal(yard_count(yard, "feed"), 1);
    yard_close(yard);
}

/* A feed at its limit, in and out a hundred times a second, does not flood the ring. */
static void test_chatter(void **state) {
    (void)state;
    struct van van;
    open_van(&van, WITH_BATTERY | WITH_IGNITION);
    turn_key(&van, true);
    yard_pass(&van.yard, 3.0);
    for (int i = 0; i < 500; i++) {
        van.yard.volts[van.feed] = 4.0;
        yard_pass(&van.yard, 0.005);
        van.yard.volts[van.feed] = 5.0;
        yard_pass(&van.yard, 0.005);
    }
    yard_pass(&van.yard, 3.0);
    size_t count = yard_count(&van.yard, "feed");
    assert_in_range(count, 2, 10);
    assert_int_equal(count % 2, 0);
    assert_non_null(strstr(yard_note(&van.yard, "feed", 0)->text, "times within"));
    yard_close(&van.yard);
}

/* Scans missing inside an excursion neither end it nor begin a second one. */
static void test_loss_inside(void **state) {
    (void)state;
    struct van van;
    open_van(&van, WITH_IGNITION);
    turn_key(&van, true);
    yard_pass(&van.yard, 3.0);
    van.yard.volts[van.feed] = 3.0;
    for (int i = 0; i < 40; i++) {
        yard_pass(&van.yard, 0.1);
        van.yard.lost = true;
        van.yard.now_s += 0.02;
        watch_loss(van.yard.watch, 0);
    }
    assert_int_equal(yard_count(&van.yard, "feed"), 1);
    van.yard.volts[van.feed] = 5.0;
    yard_pass(&van.yard, 2.0);
    assert_int_equal(yard_count(&van.yard, "feed"), 2);
    yard_close(&van.yard);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_key_off_is_no_event),
        cmocka_unit_test(test_key_off_from_cranking),
        cmocka_unit_test(test_key_off_from_running),
        cmocka_unit_test(test_partial_fall),
        cmocka_unit_test(test_dip),
        cmocka_unit_test(test_collapse_with_the_key_shown),
        cmocka_unit_test(test_collapse_while_cranking),
        cmocka_unit_test(test_never_up),
        cmocka_unit_test(test_inrush),
        cmocka_unit_test(test_feed_of_the_battery),
        cmocka_unit_test(test_chatter),
        cmocka_unit_test(test_loss_inside),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
