// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_faults_test.c - faults laid over the edges of real engines: each found, at its place, and
 * nothing else.
 *
 * The recordings are described by the SOURCES.md that comes with them; the places are pseudo-random
 * with fixed seeds.
 */
#include "wheel_track.h"

#include "cmocka_helper.h"
#include "wheel_helper.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define NEAR   0.3  /* of an interval: which of two edges so near is the extra one, nothing tells */
#define SAME   0.09 /* of a turn: of two teeth so near, either may be the one that is left */
#define PLACES 60   /* tried of each fault on each engine */

struct engine {
    const char *file;
    size_t column;
    const char *wheel;
    enum shaft shaft;
    bool volts;               /* of an inductive sensor, through edges.c */
    double from_s, to_s;      /* the stretch used, on the recording's own axis, */
    double catches_s, runs_s; /* but for the moments in which it catches: there, nothing tells */
    unsigned most_missing;
    unsigned unclear; /* of the faults: so many at most are told otherwise, or not at all */
};

/*
 * Where a fault is not always told as it was laid: the teeth of the noisy recording jitter by a
 * fifth of their interval, so that one that is missing stands out by three standard deviations; an
 * engine on four teeth a turn that fires unevenly goes from tooth to tooth as if there were more or
 * fewer; of two pulses of the cam, 20 degrees apart, either may be the one that is left; four turns
 * from rest are hardly three alike.
 */
static const struct engine engines[] = {
    {"edges-2-teeth-cam-no-start.csv", 1, "2", SHAFT_CRANK, false, 0.0, 20.0, 0, 0, 1, 0},
    {"edges-13-teeth-two-cams-catches.csv", 1, "13", SHAFT_CRANK, false, 1.8, 3.7, 3.3, 3.45, 3, 6},
    {"edges-13-teeth-two-cams-catches.csv", 1, "13", SHAFT_CRANK, false, 3.75, 20.0, 0, 0, 3, 0},
    {"edges-plugs-out-steady.csv", 1, "13", SHAFT_CRANK, false, 0.0, 20.0, 0, 0, 3, 0},
    {"edges-plugs-out-steady.csv", 1, "learn", SHAFT_CRANK, false, 0.0, 20.0, 0, 0, 3, 0},
    {"edges-crank-cam-catches.csv", 1, "4", SHAFT_CRANK, false, 0.0, 20.0, 3.2, 5.4, 1, 14},
    {"edges-crank-cam-catches.csv", 2, "3", SHAFT_CAM, false, 7.0, 20.0, 0, 0, 1, 12},
    {"edges-36-2-noisy.csv", 1, "36-2", SHAFT_CRANK, false, 0.0, 20.0, 0, 0, 3, 24},
    {"edges-running.csv", 1, "36-2-1", SHAFT_CRANK, false, 0.0, 20.0, 0, 0, 3, 0},
    {"edges-running.csv", 1, "learn", SHAFT_CRANK, false, 0.0, 20.0, 0, 0, 3, 0},
    {"analog-60-2-steady.csv", 1, "60-2", SHAFT_CRANK, true, 0.0, 20.0, 0, 0, 5, 0},
    {"analog-60-2-steady.csv", 1, "learn", SHAFT_CRANK, true, 0.0, 20.0, 0, 0, 5, 0},
    {"analog-60-2-runup.csv", 1, "60-2", SHAFT_CRANK, true, 0.0, 2.2, 0, 0, 5, 3},
};

static uint64_t seed;

static size_t any(size_t below) {
    seed = seed * 6364136223846793005U + 1442695040888963407U;
    return (size_t)((seed >> 33) % below);
}

static double share(void) {
    return (double)any(1000000) / 1e6;
}

static struct pulse_list read_engine(const struct engine *engine) {
    struct recording recording;
    recording_read(engine->file, engine->column, &recording);
    struct pulse_list all =
        engine->volts ? pulses_of_volts(&recording, 10000.0) : pulses_of_levels(&recording);
    recording_free(&recording);
    struct pulse_list list = {0};
    for (size_t i = 0; i < all.count; i++)
        if (all.pulses[i].at_s >= engine->from_s && all.pulses[i].at_s < engine->to_s)
            pulse_list_add(&list, all.pulses[i].at_s, all.pulses[i].rises);
    pulse_list_free(&all);
    return list;
}

static struct wheel_track *track_of(const struct engine *engine, const struct pulse_list *list) {
    struct wheel_signal signal = wheel_signal_of(list, engine->wheel);
    signal.shaft = engine->shaft;
    signal.kind = engine->volts ? SENSOR_INDUCTIVE : SENSOR_HALL;
    return wheel_track_of(&signal);
}

/* The pulses without `count` of them from `first` on, and with `extra` more put in there. */
static struct pulse_list changed(const struct pulse_list *list, size_t first, size_t count,
                                 const double extra[2], size_t extras) {
    struct pulse_list made = {0};
    for (size_t i = 0; i < first; i++)
        pulse_list_add(&made, list->pulses[i].at_s, list->pulses[i].rises);
    for (size_t i = 0; i < extras; i++)
        pulse_list_add(&made, extra[i], (list->pulses[first].rises == (i % 2 == 0)));
    for (size_t i = first + count; i < list->count; i++)
        pulse_list_add(&made, list->pulses[i].at_s, list->pulses[i].rises);
    made.to_s = list->to_s;
    return made;
}

/* The newest edge that times before pulse `i`, the next from `i` on. */
static double timing_before(const struct pulse_list *list, size_t i, bool rises) {
    while (list->pulses[--i].rises != rises) {
    }
    return list->pulses[i].at_s;
}

static double timing_from(const struct pulse_list *list, size_t i, bool rises) {
    while (list->pulses[i].rises != rises)
        i++;
    return list->pulses[i].at_s;
}

static size_t wrong;

static void tell(const struct engine *engine, const char *fault, const struct wheel_track *track,
                 double at_s) {
    if (wrong++ >= engine->unclear) {
        print_message("%s (%s): %s at %.6f\n", engine->file, engine->wheel, fault, at_s);
        wheel_print(track);
    }
}

/* More than a turn of the wheel, and some teeth, on either side. */
static size_t margin_of(const struct wheel_track *track) {
    size_t edges = track->pattern.edges;
    return 2 * (edges + (edges < 4 ? 4 : edges / 2));
}

/* Any pulse with so many on either side, but not where the engine catches. */
static size_t place(const struct engine *engine, const struct pulse_list *list, size_t margin) {
    for (;;) {
        size_t i = margin + any(list->count - 2 * margin);
        double at_s = list->pulses[i].at_s;
        if (at_s < engine->catches_s || at_s >= engine->runs_s)
            return i;
    }
}

static void drop(const struct engine *engine, const struct pulse_list *list, size_t margin) {
    size_t missing = 1 + any(engine->most_missing);
    size_t i = place(engine, list, margin + 2 * missing) - missing;
    struct pulse_list faulty = changed(list, i, 2 * missing, NULL, 0);
    struct wheel_track *track = track_of(engine, &faulty);
    bool rises = track->pattern.rises;
    const struct wheel_event *event = track->events;
    double first_s = timing_from(list, i, rises);
    double behind_s = timing_from(list, i + 2 * missing, rises);
    double near_s = SAME * track->path.steps[track->path.count - 1].turn_s;
    if (track->event_count != 1 || event->kind != WHEEL_MISSING || event->pulses != missing ||
        event->last_s > first_s + near_s || event->last_s < timing_before(list, i, rises) - 1e-9 ||
        event->resumed_s < first_s - near_s || event->resumed_s > behind_s + 1e-9 ||
        event->due_s < event->last_s || event->due_s > event->resumed_s)
        tell(engine, "dropped", track, list->pulses[i].at_s);
    wheel_track_free(track);
    pulse_list_free(&faulty);
}

static void disturb(const struct engine *engine, const struct pulse_list *list, size_t margin) {
    size_t i = place(engine, list, margin);
    double before_s = list->pulses[i - 1].at_s;
    double state_s = list->pulses[i].at_s - before_s;
    double width_s = state_s * (0.01 + 0.1 * share());
    double at_s = before_s + (state_s - width_s) * (0.05 + 0.9 * share());
    struct pulse_list faulty = changed(list, i, 0, (double[2]){at_s, at_s + width_s}, 2);
    struct wheel_track *track = track_of(engine, &faulty);
    const struct wheel_event *event = track->events;
    if (track->event_count != 1 || event->kind != WHEEL_EXTRA || event->pulses != 1 ||
        fabs(event->due_s - at_s) > NEAR * (event->resumed_s - event->last_s))
        tell(engine, "disturbed", track, at_s);
    wheel_track_free(track);
    pulse_list_free(&faulty);
}

static void stop(const struct engine *engine, const struct pulse_list *list, size_t margin) {
    size_t i = place(engine, list, margin);
    struct pulse_list faulty = changed(list, i, list->count - i, NULL, 0);
    faulty.to_s += 2.0;
    struct wheel_track *track = track_of(engine, &faulty);
    bool rises = track->pattern.rises;
    const struct wheel_event *event = track->events;
    double next_s = timing_from(list, i, rises);
    if (track->event_count != 1 || event->kind != WHEEL_LOST ||
        event->last_s != timing_before(list, i, rises) || !isnan(event->resumed_s) ||
        event->slowing || fabs(event->due_s - next_s) > 0.6 * (next_s - event->last_s))
        tell(engine, "stopped", track, list->pulses[i].at_s);
    wheel_track_free(track);
    pulse_list_free(&faulty);
}

static void lay_faults(const struct engine *engine) {
    struct pulse_list list = read_engine(engine);
    struct wheel_track *clean = track_of(engine, &list);
    assert_int_equal(clean->pattern.state, WHEEL_FOLLOWED);
    assert_int_equal(clean->event_count, 0);
    size_t margin = margin_of(clean);
    wrong = 0;
    for (size_t i = 0; i < PLACES; i++) {
        drop(engine, &list, margin);
        disturb(engine, &list, margin);
        stop(engine, &list, 2 * margin + margin / 4);
    }
    print_message("%s (%s): %zu of %d unclear\n", engine->file, engine->wheel, wrong, 3 * PLACES);
    assert_true(wrong <= engine->unclear);
    wheel_track_free(clean);
    pulse_list_free(&list);
}

static void every_fault(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof engines / sizeof engines[0]; i++) {
        seed = i + 1;
        lay_faults(&engines[i]);
    }
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_fault),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
