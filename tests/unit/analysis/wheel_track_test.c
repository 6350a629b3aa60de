// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_track_test.c - wheels cut by hand: their turns, gaps, stops, breaks and losses.
 *
 * Edges are computed from a wheel's places and a speed, by arithmetic.
 */
#include "wheel_track.h"

#include "cmocka_helper.h"
#include "wheel_helper.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#define NO_MODULE 77

/* Teeth at `places` of `all` in a turn, half a place wide, `turns` times. */
static struct pulse_list cut(const unsigned *places, size_t count, unsigned all, unsigned turns,
                             double turn_s) {
    struct pulse_list list = {0};
    for (unsigned turn = 0; turn < turns; turn++)
        for (size_t i = 0; i < count; i++) {
            double at_s = turn_s * (turn + (double)places[i] / all);
            pulse_list_add(&list, at_s, true);
            pulse_list_add(&list, at_s + 0.5 * turn_s / all, false);
        }
    return list;
}

/* N places with M missing at the end of the turn. */
static struct pulse_list regular(unsigned all, unsigned missing, unsigned turns, double turn_s) {
    unsigned places[130];
    for (unsigned i = 0; i < all; i++)
        places[i] = i;
    return cut(places, all - missing, all, turns, turn_s);
}

static struct wheel_track *follow(const struct pulse_list *list, const char *wheel) {
    struct wheel_signal signal = wheel_signal_of(list, wheel);
    return wheel_track_of(&signal);
}

struct wheel_case {
    const char *wheel;
    unsigned all, missing;
    double gap; /* pitches from edge to edge across it */
};

/*
 * Geometry: a gap of M missing teeth is M + 1 pitches from edge to edge, so 3.0 of a 60-2 wheel and
 * 2.0 of a 36-1 (some manuals call the uncut width the gap).
 */
static void gaps_of_a_hall_sensor(void **state) {
    (void)state;
    static const struct wheel_case wheels[] = {
        {"60-2", 60, 2, 3.0}, {"36-1", 36, 1, 2.0}, {"36-2", 36, 2, 3.0}, {"24-1", 24, 1, 2.0}};
    for (size_t i = 0; i < 4; i++) {
        struct pulse_list list = regular(wheels[i].all, wheels[i].missing, 10, 0.3);
        for (int given = 0; given < 2; given++) {
            struct wheel_track *track = follow(&list, given ? wheels[i].wheel : "learn");
            const struct wheel_pattern *pattern = &track->pattern;
            size_t edges = wheels[i].all - wheels[i].missing;
            assert_int_equal(pattern->state, WHEEL_FOLLOWED);
            assert_int_equal(pattern->edges, edges);
            assert_near(pattern->share[edges - 1] / pattern->share[0], wheels[i].gap, 1e-6);
            assert_near(track->rpm, 200.0, 1e-6);
            assert_int_equal(track->event_count, 0);
            assert_near(track->speeds[5].rpm, 200.0, 1e-6);
            wheel_track_free(track);
        }
        pulse_list_free(&list);
    }
}

/* 12-2-1: gaps of three and of two pitches; as a cam's, it turns the crank twice as fast. */
static void two_gaps(void **state) {
    (void)state;
    const unsigned places[] = {0, 1, 2, 3, 6, 7, 8, 9, 11};
    struct pulse_list list = cut(places, 9, 12, 8, 0.3);
    struct wheel_signal signal = wheel_signal_of(&list, "12-2-1");
    struct wheel_track *track = wheel_track_of(&signal);
    assert_near(track->rpm, 200.0, 1e-6);
    wheel_track_free(track);
    signal.shaft = SHAFT_CAM; /* geometry: the cam turns at half the crank's speed */
    track = wheel_track_of(&signal);
    assert_near(track->rpm, 400.0, 1e-6);
    wheel_track_free(track);
    pulse_list_free(&list);
}

/* The wrong wheel gives no speed rather than a wrong one; so does a tooth that is always gone. */
static void the_wrong_wheel(void **state) {
    (void)state;
    struct pulse_list list = regular(12, 2, 8, 0.3);
    struct wheel_track *track = follow(&list, "60-2");
    assert_int_not_equal(track->pattern.state, WHEEL_FOLLOWED);
    assert_false(track->has_speed);
    wheel_track_free(track);
    pulse_list_free(&list);
    const unsigned places[] = {0, 1, 2, 4, 5, 6, 7, 8, 9};
    list = cut(places, 9, 12, 8, 0.3);
    track = follow(&list, "12-2");
    assert_int_equal(track->pattern.state, WHEEL_NOT_AS_GIVEN);
    assert_int_equal(track->pattern.edges, 9);
    assert_false(track->has_speed);
    assert_int_equal(track->event_count, 0);
    wheel_track_free(track);
    pulse_list_free(&list);
    list = regular(60, 0, 8, 0.3);
    track = follow(&list, "60-2");
    assert_int_equal(track->pattern.state, WHEEL_NOT_AS_GIVEN);
    wheel_track_free(track);
    pulse_list_free(&list);
}

/* One to three teeth of a 12-1 or 36-1 wheel stay away in every turn, always others. */
static void teeth_that_stay_away_in_every_turn(void **state) {
    (void)state;
    for (unsigned all = 12; all <= 36; all += 24) {
        struct pulse_list list = {0};
        double due_s[10];
        for (unsigned turn = 0; turn < 10; turn++) {
            unsigned first = 1 + turn * 5 % (all - 4);
            unsigned away = 1 + turn * turn % 3;
            due_s[turn] = 0.3 * (turn + (double)first / all);
            for (unsigned i = 0; i < all - 1; i++) {
                double at_s = 0.3 * (turn + (double)i / all);
                if (i >= first && i < first + away)
                    continue;
                pulse_list_add(&list, at_s, true);
                pulse_list_add(&list, at_s + 0.15 / all, false);
            }
        }
        struct wheel_track *track = follow(&list, all == 12 ? "12-1" : "36-1");
        assert_int_equal(track->pattern.state, WHEEL_FOLLOWED);
        assert_int_equal(track->pattern.edges, all - 1);
        assert_near(track->rpm, 200.0, 1e-6);
        for (size_t i = 0; i < track->event_count; i++) {
            const struct wheel_event *event = &track->events[i];
            size_t turn = (size_t)(event->due_s / 0.3);
            double width_s = track->pattern.rises ? 0.0 : 0.15 / all;
            assert_int_equal(event->kind, WHEEL_MISSING);
            assert_int_equal(event->pulses, 1 + turn * turn % 3);
            assert_near(event->due_s, due_s[turn] + width_s, 0.1 * 0.3 / all);
        }
        assert_in_range(track->event_count, 6, 10); /* all with a turn to hold against */
        wheel_track_free(track);
        pulse_list_free(&list);
    }
}

/* A winding comes back to its middle behind a gap's last tooth, or only before the next one. */
static void a_winding_undecided_beside_its_gap(void **state) {
    (void)state;
    struct pulse_list list = {0};
    for (unsigned turn = 0; turn < 10; turn++) {
        for (unsigned i = 0; i < 9; i++) {
            double at_s = 0.3 * (turn + i / 12.0);
            if (i > 0 || turn % 4 != 3) /* else it is up since the tooth before the gap */
                pulse_list_add(&list, at_s, true);
            pulse_list_add(&list, at_s + 0.007, false);
            if (i == 8 && turn % 4 == 2)
                pulse_list_add(&list, at_s + 0.014, true);
        }
    }
    struct wheel_signal signal = wheel_signal_of(&list, "12-3");
    signal.kind = SENSOR_INDUCTIVE;
    struct wheel_track *track = wheel_track_of(&signal);
    assert_int_equal(track->pattern.state, WHEEL_FOLLOWED);
    assert_false(track->pattern.rises);
    assert_int_equal(track->event_count, 0);
    wheel_track_free(track);
    pulse_list_free(&list);
}

static void equal_teeth_tell_no_turn(void **state) {
    (void)state;
    struct pulse_list list = regular(30, 0, 6, 0.3);
    struct wheel_track *track = follow(&list, "learn");
    assert_false(track->pattern.turn_known);
    assert_false(track->has_speed);
    assert_int_equal(track->speed_count, 0);
    wheel_track_free(track);
    track = follow(&list, "30");
    assert_near(track->rpm, 200.0, 1e-6);
    wheel_track_free(track);
    pulse_list_free(&list);
}

/*
 * A constant drag stops the wheel: the places come at t = (w - sqrt(w^2 - 2 a x)) / a. No pulse is
 * missing then; the signal ends with the engine.
 */
static void a_wheel_that_runs_down(void **state) {
    (void)state;
    struct pulse_list list = regular(36, 1, 6, 0.3);
    double from_s = 6.0 * 0.3;
    double speed = 1.0 / 0.3;                  /* turns a second */
    double drag = speed * speed / (2.0 * 1.6); /* stops after 1.6 turns */
    for (unsigned i = 0; i < 2 * 36; i++) {
        double turns = i / 36.0;
        if (i % 36 == 35 || turns >= 1.59)
            continue;
        for (int falls = 0; falls < 2; falls++) {
            double x = turns + falls * 0.5 / 36.0;
            pulse_list_add(&list, from_s + (speed - sqrt(speed * speed - 2.0 * drag * x)) / drag,
                           !falls);
        }
    }
    list.to_s += 3.0;
    struct wheel_track *track = follow(&list, "36-1");
    assert_int_equal(track->event_count, 1);
    assert_int_equal(track->events[0].kind, WHEEL_LOST);
    assert_true(track->events[0].slowing);
    wheel_track_free(track);
    pulse_list_free(&list);
}

/* 1.5 turns without a pulse while it turns on; then a hole in the samples instead. */
static void breaks_and_holes(void **state) {
    (void)state;
    struct pulse_list whole = regular(36, 1, 20, 0.3);
    struct pulse_list list = {0};
    for (size_t i = 0; i < whole.count; i++)
        if (whole.pulses[i].at_s < 3.001 || whole.pulses[i].at_s > 3.451)
            pulse_list_add(&list, whole.pulses[i].at_s, whole.pulses[i].rises);
    list.to_s = whole.to_s;
    struct wheel_signal signal = wheel_signal_of(&list, "36-1");
    struct wheel_track *track = wheel_track_of(&signal);
    assert_int_equal(track->event_count, 1);
    assert_int_equal(track->events[0].kind, WHEEL_BREAK);
    assert_near((double)track->events[0].pulses, 1.5 * 36, 2.5);
    assert_true(track->events[0].in_phase && !track->events[0].slowing);
    wheel_track_free(track);
    struct pulses_hole hole = {3.0005, 3.4515};
    signal.holes = &hole;
    signal.hole_count = 1;
    track = wheel_track_of(&signal);
    assert_int_equal(track->event_count, 0);
    assert_near(track->rpm, 200.0, 1e-6);
    wheel_track_free(track);
    pulse_list_free(&list);
    pulse_list_free(&whole);
}

/* Teeth of 1.04 ms, half of it high: five samples in that need 9600 a second. */
static void too_few_samples(void **state) {
    (void)state;
    struct pulse_list whole = regular(60, 2, 60, 0.0625);
    struct pulse_list list = {0};
    for (size_t i = 0; i < whole.count; i++)
        if (i / 2 != 1200)
            pulse_list_add(&list, whole.pulses[i].at_s, whole.pulses[i].rises);
    struct wheel_signal signal = wheel_signal_of(&list, "60-2");
    signal.running_speed = 2000.0;
    for (int enough = 0; enough < 2; enough++) {
        signal.period_s = enough ? 1.0 / 9700.0 : 1.0 / 9500.0;
        struct wheel_track *track = wheel_track_of(&signal);
        assert_int_equal(track->event_count, enough);
        assert_int_equal(track->refused, !enough);
        assert_int_equal(track->has_speed, enough);
        assert_near(wheel_track_rate(track, 5.0), 9600.0, 1.0);
        wheel_track_free(track);
    }
    pulse_list_free(&list);
    pulse_list_free(&whole);
}

static void nothing_and_nearly_nothing(void **state) {
    (void)state;
    struct pulse_list list = {0};
    for (unsigned count = 0; count < 12; count++) {
        static const char *const wheels[] = {"learn", "60-2", "1", "36-2-1"};
        for (size_t i = 0; i < 4; i++) {
            struct wheel_signal signal = wheel_signal_of(&list, wheels[i]);
            signal.to_s = 100.0;
            struct wheel_track *track = wheel_track_of(&signal);
            double turns;
            size_t stretch;
            assert_false(wheel_track_position(track, 200.0, &turns, &stretch));
            wheel_track_free(track);
        }
        pulse_list_add(&list, 0.1 * count * count, count % 2 == 0);
    }
    wheel_track_free(NULL);
    pulse_list_free(&list);
}

/* Edges a turn and the longest share, asked of numpy; false where that is absent. */
static bool ask_reference(const struct pulse_list *list, bool rises, double results[2]) {
    char data[] = "/tmp/cranktrap-wheel-XXXXXX";
    char command[512];
    int descriptor = mkstemp(data);
    assert_true(descriptor >= 0);
    FILE *stream = fdopen(descriptor, "w");
    assert_non_null(stream);
    for (size_t i = 0; i < list->count; i++)
        if (list->pulses[i].rises == rises)
            fprintf(stream, "%.9f\n", list->pulses[i].at_s);
    assert_int_equal(fclose(stream), 0);
    snprintf(command, sizeof command,
             "/usr/bin/python3 '%s/tests/unit/analysis/wheel_reference.py' < %s", CRANKTRAP_SOURCE,
             data);
    FILE *reference = popen(command, "r");
    assert_non_null(reference);
    int read = fscanf(reference, "%lf %lf", &results[0], &results[1]);
    int status = pclose(reference);
    unlink(data);
    if (WIFEXITED(status) && (WEXITSTATUS(status) == NO_MODULE || WEXITSTATUS(status) == 127))
        return false;
    assert_int_equal(read, 2);
    return true;
}

static void beside_numpy(void **state) {
    (void)state;
    static const char *const files[] = {"edges-plugs-out-steady.csv", "edges-36-2-noisy.csv",
                                        "edges-running.csv"};
    for (size_t i = 0; i < 3; i++) {
        struct recording recording;
        recording_read(files[i], 1, &recording);
        struct pulse_list list = pulses_of_levels(&recording);
        struct wheel_track *track = follow(&list, "learn");
        const struct wheel_pattern *pattern = &track->pattern;
        double expected[2];
        if (!ask_reference(&list, pattern->rises, expected)) {
            print_message("not run: numpy for /usr/bin/python3 is not there\n");
            skip();
        }
        double longest = pattern->share[pattern->edges - 1] * (double)pattern->edges;
        print_message("%s: %zu edges, longest %.3f; numpy: %.0f, %.3f\n", files[i], pattern->edges,
                      longest, expected[0], expected[1]);
        assert_int_equal(pattern->edges, (size_t)expected[0]);
        assert_near(longest, expected[1], 0.05 * expected[1]);
        wheel_track_free(track);
        pulse_list_free(&list);
        recording_free(&recording);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(gaps_of_a_hall_sensor),
        cmocka_unit_test(two_gaps),
        cmocka_unit_test(the_wrong_wheel),
        cmocka_unit_test(equal_teeth_tell_no_turn),
        cmocka_unit_test(a_wheel_that_runs_down),
        cmocka_unit_test(breaks_and_holes),
        cmocka_unit_test(too_few_samples),
        cmocka_unit_test(nothing_and_nearly_nothing),
        cmocka_unit_test(beside_numpy),
        cmocka_unit_test(teeth_that_stay_away_in_every_turn),
        cmocka_unit_test(a_winding_undecided_beside_its_gap),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
