// SPDX-License-Identifier: Apache-2.0
/*
 * silent_test.c - sensors that fall silent while the engine turns, and silences that are none.
 *
 * The crank's signal has 40 pulses a second and the cam's 4: two in a turn of a cam at 120 rpm.
 */
#include "cmocka_helper.h"
#include "yard_helper.h"

#include <math.h>
#include <string.h>

#define CRANK_HERTZ 40.0
#define CAM_HERTZ   4.0

struct van {
    struct yard yard;
    size_t crank, cam, ignition;
};

static void open_van(struct van *van) {
    yard_open(&van->yard);
    yard_lead(&van->yard, "battery", ROLE_BATTERY, 12.6);
    van->crank = yard_sensor(&van->yard, "crank-signal", SHAFT_CRANK);
    van->cam = yard_sensor(&van->yard, "cam-signal", SHAFT_CAM);
    van->ignition = yard_lead(&van->yard, "ignition", ROLE_IGNITION, 12.6);
}

static void begin(struct van *van) {
    yard_watch(&van->yard);
    yard_pass(&van->yard, 5.0);
}

static void turn(struct van *van, bool crank, bool cam) {
    van->yard.hertz[van->crank] = crank ? CRANK_HERTZ : 0.0;
    van->yard.hertz[van->cam] = cam ? CAM_HERTZ : 0.0;
}

/* The starter engages, everything turns from here on. */
static void engage(struct van *van) {
    yard_engage(&van->yard);
    turn(van, true, true);
}

static void release(struct van *van) {
    turn(van, false, false);
    yard_release(&van->yard);
}

static void crank(struct van *van, double seconds) {
    engage(van);
    yard_pass(&van->yard, seconds);
    release(van);
    yard_pass(&van->yard, 6.0);
}

static void start_engine(struct van *van) {
    engage(van);
    yard_pass(&van->yard, 1.5);
    van->yard.rest = 14.2;
    yard_release(&van->yard);
    yard_pass(&van->yard, 10.0);
    assert_int_equal(watch_phase(van->yard.watch), PHASE_RUNNING);
}

/* ---- the default trigger ---- */

static void test_dies_while_cranking(void **state) {
    (void)state;
    struct van van;
    open_van(&van);
    begin(&van);
    engage(&van);
    yard_pass(&van.yard, 1.0);
    double died_s = van.yard.now_s;
    turn(&van, false, true);
    yard_pass(&van.yard, 4.0);
    release(&van);
    yard_pass(&van.yard, 6.0);
    assert_int_equal(yard_count(&van.yard, "silent"), 2);
    const struct yard_note *begins = yard_note(&van.yard, "silent", 0);
    const struct yard_note *ends = yard_note(&van.yard, "silent", 1);
    assert_true(begins->mark.begins);
    assert_int_equal(begins->mark.channel, van.crank);
    assert_int_equal(begins->mark.phase, PHASE_CRANKING);
    /* From its last edge, which was at most half a period before it died. */
    assert_near(begins->at_s, died_s, 0.5 / CRANK_HERTZ + 0.001);
    assert_near(begins->mark.before_s, 20.0, 1e-9);
    assert_near(begins->mark.after_s, 20.0, 1e-9);
    assert_non_null(strstr(begins->text, "crank-signal had no edge"));
    assert_false(ends->mark.begins);
    assert_near(ends->at_s, died_s + 4.0, 1.1); /* the starter lets go */
    yard_close(&van.yard);
}

/* One that never had an edge is silent since the starter engaged. */
static void test_dead_from_the_start(void **state) {
    (void)state;
    struct van van;
    open_van(&van);
    begin(&van);
    double engaged_s = van.yard.now_s;
    engage(&van);
    turn(&van, false, true);
    yard_pass(&van.yard, 5.0);
    assert_int_equal(yard_count(&van.yard, "silent"), 1);
    assert_near(yard_note(&van.yard, "silent", 0)->at_s, engaged_s, 0.05);
    yard_close(&van.yard);
}

/* A shaft that the starter turns, or should: both are silent, each is said. */
static void test_nothing_turns(void **state) {
    (void)state;
    struct van van;
    open_van(&van);
    begin(&van);
    engage(&van);
    turn(&van, false, false);
    yard_pass(&van.yard, 8.0);
    assert_int_equal(yard_count(&van.yard, "silent"), 2);
    assert_true(yard_note(&van.yard, "silent", 0)->mark.channel !=
                yard_note(&van.yard, "silent", 1)->mark.channel);
    assert_non_null(strstr(yard_note(&van.yard, "silent", 0)->text, "the starter was engaged"));
    yard_close(&van.yard);
}

static void test_dies_while_running(void **state) {
    (void)state;
    struct van van;
    open_van(&van);
    begin(&van);
    start_engine(&van);
    double died_s = van.yard.now_s;
    turn(&van, true, false);
    yard_pass(&van.yard, 6.0);
    turn(&van, true, true);
    yard_pass(&van.yard, 2.0);
    assert_int_equal(yard_count(&van.yard, "silent"), 2);
    const struct yard_note *begins = yard_note(&van.yard, "silent", 0);
    assert_int_equal(begins->mark.channel, van.cam);
    assert_near(begins->at_s, died_s, 0.5 / CAM_HERTZ + 0.001);
    assert_non_null(strstr(begins->text, "while crank-signal shows the engine turning"));
    assert_near(yard_note(&van.yard, "silent", 1)->at_s, died_s + 6.0, 0.5 / CAM_HERTZ + 0.001);
    assert_non_null(strstr(yard_note(&van.yard, "silent", 1)->text, "has edges again"));
    yard_close(&van.yard);
}

/* Starts, short cranks, cranks that end just before or after the time, runs, and key-offs. */
static void test_no_event(void **state) {
    (void)state;
    struct van van;
    open_van(&van);
    begin(&van);
    for (int i = 0; i < 6; i++)
        crank(&van, 0.4 + 0.4 * i);
    start_engine(&van);
    turn(&van, false, false);
    van.yard.volts[van.ignition] = 0.0;
    yard_pass(&van.yard, 6.0);
    assert_int_equal(watch_attempts(van.yard.watch), 7);
    assert_int_equal(yard_count(&van.yard, "silent"), 0);
    yard_close(&van.yard);
}

/* The last edge, and then the starter lets go a little before or after the time is over. */
static void test_starter_lets_go_meanwhile(void **state) {
    (void)state;
    struct van van;
    open_van(&van);
    begin(&van);
    for (int i = 0; i < 5; i++) {
        engage(&van);
        yard_pass(&van.yard, 2.0);
        turn(&van, false, false); /* stalled against a compression; the driver gives up */
        yard_pass(&van.yard, 0.2 + 0.2 * i);
        yard_release(&van.yard);
        yard_pass(&van.yard, 6.0);
    }
    assert_int_equal(yard_count(&van.yard, "silent"), 0);
    yard_close(&van.yard);
}

/* The key goes off, and with it one sensor's feed; the other sees the engine run down for 1 s
 * (common practice, no source). */
static void test_runs_down_with_the_key_off(void **state) {
    (void)state;
    struct van van;
    open_van(&van);
    begin(&van);
    start_engine(&van);
    van.yard.volts[van.ignition] = 0.0;
    turn(&van, false, true);
    yard_pass(&van.yard, 1.0);
    turn(&van, false, false);
    yard_pass(&van.yard, 6.0);
    assert_int_equal(watch_phase(van.yard.watch), PHASE_KEY_OFF);
    assert_int_equal(yard_count(&van.yard, "silent"), 0);
    yard_close(&van.yard);
}

/* The key's bounce makes an edge or two on the other signal: no engine turns. */
static void test_edges_of_the_key(void **state) {
    (void)state;
    struct van van;
    open_van(&van);
    begin(&van);
    for (int i = 0; i < 10; i++) {
        van.yard.volts[van.cam] = i % 2 ? 0.04 : 4.98;
        yard_pass(&van.yard, 1.0);
    }
    assert_int_equal(yard_count(&van.yard, "silent"), 0);
    yard_close(&van.yard);
}

/* Nothing tells that the starter is engaged; one sensor's first edge comes after the other's. */
static void test_turns_before_its_first_edge(void **state) {
    (void)state;
    struct van van;
    open_van(&van);
    begin(&van);
    turn(&van, true, false);
    yard_pass(&van.yard, 2.0);
    turn(&van, true, true);
    yard_pass(&van.yard, 4.0);
    assert_int_equal(yard_count(&van.yard, "silent"), 0);
    turn(&van, false, false);
    yard_pass(&van.yard, 4.0);
    double turned_s = van.yard.now_s;
    turn(&van, true, false); /* and now it never has one */
    yard_pass(&van.yard, 6.0);
    assert_int_equal(yard_count(&van.yard, "silent"), 1);
    assert_int_equal(yard_note(&van.yard, "silent", 0)->mark.channel, van.cam);
    assert_near(yard_note(&van.yard, "silent", 0)->at_s, turned_s, 1.0 / CRANK_HERTZ + 0.001);
    yard_close(&van.yard);
}

/* Nobody knows what was in scans that are missing: silence is counted anew behind them. */
static void test_losses(void **state) {
    (void)state;
    struct van van;
    open_van(&van);
    begin(&van);
    engage(&van);
    yard_pass(&van.yard, 1.0);
    turn(&van, false, true);
    for (int i = 0; i < 5; i++) {
        yard_pass(&van.yard, 1.0);
        van.yard.now_s += 0.2;
        van.yard.lost = true;
    }
    assert_int_equal(yard_count(&van.yard, "silent"), 0);
    double again_s = van.yard.now_s;
    yard_pass(&van.yard, 3.0);
    assert_int_equal(yard_count(&van.yard, "silent"), 1);
    assert_near(yard_note(&van.yard, "silent", 0)->at_s, again_s, 0.001);
    yard_close(&van.yard);
}

/* Narrow pulses, 5 % of the time. 1000 scans/s see them all. 50 scans/s see none of one that keeps
 * step with them, and say nothing: a board as slow as that proves nothing. */
static void test_slow_board(void **state) {
    (void)state;
    static const double rates[] = {1000.0, 50.0};
    for (size_t i = 0; i < 2; i++) {
        struct van van;
        open_van(&van);
        van.yard.rate_hz = rates[i];
        van.yard.run_scans = 10;
        van.yard.duty[van.crank] = 0.05;
        begin(&van);
        yard_pass(&van.yard, 0.5 / CRANK_HERTZ); /* between two pulses */
        engage(&van);
        van.yard.hertz[van.crank] = 50.0;
        yard_pass(&van.yard, 5.0);
        assert_int_equal(watch_attempts(van.yard.watch), 1);
        assert_int_equal(yard_count(&van.yard, "silent"), 0);
        yard_close(&van.yard);
    }
}

/* ---- a section ---- */

static struct hookup_trigger *add_section(struct van *van, size_t lead, double for_s) {
    struct hookup_trigger *trigger = yard_trigger(&van->yard, "dead", lead);
    trigger->kind = TRIGGER_SILENT;
    trigger->for_s = for_s;
    return trigger;
}

static void test_section(void **state) {
    (void)state;
    struct van van;
    open_van(&van);
    add_section(&van, van.crank, 0.3)->when = 1U << PHASE_CRANKING;
    begin(&van);
    crank(&van, 3.0);
    assert_int_equal(yard_count(&van.yard, "dead"), 0);
    engage(&van);
    yard_pass(&van.yard, 1.0);
    double died_s = van.yard.now_s;
    turn(&van, false, true);
    yard_pass(&van.yard, 0.8); /* too short for the default one */
    turn(&van, true, true);
    yard_pass(&van.yard, 3.0);
    assert_int_equal(yard_count(&van.yard, "silent"), 0);
    assert_int_equal(yard_count(&van.yard, "dead"), 2);
    assert_near(yard_note(&van.yard, "dead", 0)->at_s, died_s, 0.5 / CRANK_HERTZ + 0.001);
    assert_near(yard_note(&van.yard, "dead", 0)->mark.before_s, 5.0, 1e-9);
    assert_near(yard_note(&van.yard, "dead", 1)->at_s, died_s + 0.8, 0.5 / CRANK_HERTZ + 0.001);
    yard_close(&van.yard);
}

/* Outside the phases it is bound to it says nothing. */
static void test_section_in_another_phase(void **state) {
    (void)state;
    struct van van;
    open_van(&van);
    add_section(&van, van.crank, 0.3)->when = 1U << PHASE_CRANKING;
    begin(&van);
    start_engine(&van);
    turn(&van, false, true);
    yard_pass(&van.yard, 1.0);
    turn(&van, true, true);
    yard_pass(&van.yard, 3.0);
    assert_int_equal(yard_count(&van.yard, "dead"), 0);
    yard_close(&van.yard);
}

/* What is smaller than the swing is no edge; what is larger is. */
static void test_swing(void **state) {
    (void)state;
    for (int is_larger = 0; is_larger < 2; is_larger++) {
        struct van van;
        open_van(&van);
        add_section(&van, van.crank, 0.3)->hysteresis = is_larger ? 4.5 : 5.5; /* of 4.94 V */
        begin(&van);
        engage(&van);
        yard_pass(&van.yard, 4.0);
        assert_int_equal(yard_count(&van.yard, "dead"), is_larger ? 0 : 1);
        yard_close(&van.yard);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_dies_while_cranking),
        cmocka_unit_test(test_dead_from_the_start),
        cmocka_unit_test(test_nothing_turns),
        cmocka_unit_test(test_dies_while_running),
        cmocka_unit_test(test_no_event),
        cmocka_unit_test(test_starter_lets_go_meanwhile),
        cmocka_unit_test(test_runs_down_with_the_key_off),
        cmocka_unit_test(test_edges_of_the_key),
        cmocka_unit_test(test_turns_before_its_first_edge),
        cmocka_unit_test(test_losses),
        cmocka_unit_test(test_slow_board),
        cmocka_unit_test(test_section),
        cmocka_unit_test(test_section_in_another_phase),
        cmocka_unit_test(test_swing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
