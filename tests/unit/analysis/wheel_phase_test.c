// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_phase_test.c - crank and cam of real engines: once in two turns, and moved by hand.
 *
 * The recordings are described by the SOURCES.md that comes with them.
 */
#include "wheel_phase.h"

#include "cmocka_helper.h"
#include "wheel_helper.h"

#include <math.h>
#include <stdlib.h>

#define PLACES 60

/*
 * An uneven engine on four teeth a turn is somewhere between them: there, a move of tens of degrees
 * is not told, and so is not claimed.
 */
struct engine {
    const char *file;
    const char *crank;
    size_t cam_column;
    const char *cam;
    double from_s, to_s; /* of the recording: the crank as one stretch */
    double scatter;      /* degrees at most */
    bool tells;
};

static const struct engine engines[] = {
    {"edges-2-teeth-cam-no-start.csv", "2", 2, "2", 2.5, 20.0, 3.0, true},
    {"edges-13-teeth-two-cams-catches.csv", "13", 3, "4", 3.8, 20.0, 3.0, true},
    {"edges-crank-cam-catches.csv", "4", 2, "3", 5.4, 20.0, 12.0, false},
    {"edges-running.csv", "36-2-1", 2, "1", 0.0, 20.0, 3.0, true},
};

static uint64_t seed;

static double share(void) {
    seed = seed * 6364136223846793005U + 1442695040888963407U;
    return (double)((seed >> 33) % 1000000) / 1e6;
}

static struct pulse_list read_column(const struct engine *engine, size_t column) {
    struct recording recording;
    recording_read(engine->file, column, &recording);
    struct pulse_list all = pulses_of_levels(&recording);
    struct pulse_list list = {0};
    for (size_t i = 0; i < all.count; i++)
        if (all.pulses[i].at_s >= engine->from_s && all.pulses[i].at_s < engine->to_s)
            pulse_list_add(&list, all.pulses[i].at_s, all.pulses[i].rises);
    pulse_list_free(&all);
    recording_free(&recording);
    return list;
}

static struct wheel_track *track_of(const struct pulse_list *list, const char *wheel,
                                    enum shaft shaft) {
    struct wheel_signal signal = wheel_signal_of(list, wheel);
    signal.shaft = shaft;
    return wheel_track_of(&signal);
}

/* The cam's edges from `at_s` on come later by so many degrees of the crank. */
static struct pulse_list moved(const struct pulse_list *cam, const struct wheel_track *crank,
                               double at_s, double degrees) {
    struct pulse_list list = {0};
    const struct wheel_step *step = crank->path.steps;
    const struct wheel_step *end = step + crank->path.count - 1;
    for (size_t i = 0; i < cam->count; i++) {
        double edge_s = cam->pulses[i].at_s;
        while (step < end && step[1].at_s < edge_s)
            step++;
        double later_s = edge_s < at_s ? 0.0 : degrees / 360.0 * step->turn_s;
        if (!isnan(later_s))
            pulse_list_add(&list, edge_s + later_s, cam->pulses[i].rises);
    }
    return list;
}

static struct wheel_phase *phase_of(const struct wheel_track *crank,
                                    const struct wheel_track *cam) {
    struct wheel_phase *phase = NULL;
    assert_int_equal(wheel_phase_new(crank, cam, &phase), 0);
    return phase;
}

/* Moved by `degrees` at some moment in the middle: told, where and how far; or not told. */
static void move(const struct engine *engine, const struct wheel_track *crank,
                 const struct pulse_list *cam, double degrees, bool told) {
    double from_s = cam->pulses[0].at_s;
    double at_s = from_s + (0.35 + 0.3 * share()) * (cam->to_s - from_s);
    struct pulse_list list = moved(cam, crank, at_s, degrees);
    struct wheel_track *slipped = track_of(&list, engine->cam, SHAFT_CAM);
    struct wheel_phase *phase = phase_of(crank, slipped);
    double turn_s = 2.0 * crank->path.steps[crank->path.count / 2].turn_s;
    bool right = phase->moved == told;
    if (told && right)
        right = fabs(phase->moved_by - degrees) < 4.0 && phase->moved_from_s < at_s + turn_s &&
                phase->moved_to_s > at_s - turn_s && phase->scatter < engine->scatter &&
                phase->moved_to_s - phase->moved_from_s < 1.1 * turn_s;
    if (!right)
        fail_msg("%s: %.2f degrees at %.4f: moved %d by %.2f, %.4f to %.4f, scatter %.2f",
                 engine->file, degrees, at_s, phase->moved, phase->moved_by, phase->moved_from_s,
                 phase->moved_to_s, phase->scatter);
    wheel_phase_free(phase);
    wheel_track_free(slipped);
    pulse_list_free(&list);
}

static void check(const struct engine *engine) {
    struct pulse_list crank_list = read_column(engine, 1);
    struct pulse_list cam_list = read_column(engine, engine->cam_column);
    struct wheel_track *crank = track_of(&crank_list, engine->crank, SHAFT_CRANK);
    struct wheel_track *cam = track_of(&cam_list, engine->cam, SHAFT_CAM);
    struct wheel_phase *phase = phase_of(crank, cam);
    print_message("%s: %zu cam edges, %.4f turns, scatter %.2f degrees\n", engine->file,
                  phase->count, phase->crank_turns, phase->scatter);
    assert_true(phase->count >= cam->path.count - 2 && phase->count > 12);
    assert_true(fabs(phase->crank_turns - 2.0) < 0.01); /* geometry */
    assert_true(phase->in_step && !phase->moved);
    assert_true(phase->scatter < engine->scatter);
    for (size_t i = 0; i < PLACES && engine->tells; i++) {
        double sign = i % 2 ? 1.0 : -1.0;
        move(engine, crank, &cam_list, sign * (16.0 + 40.0 * share()), true);
        move(engine, crank, &cam_list, sign * 7.0 * share(), false);
    }
    wheel_phase_free(phase);
    wheel_track_free(crank);
    wheel_track_free(cam);
    pulse_list_free(&crank_list);
    pulse_list_free(&cam_list);
}

static void real_engines(void **state) {
    (void)state;
    for (size_t i = 0; i < sizeof engines / sizeof engines[0]; i++) {
        seed = i + 1;
        check(&engines[i]);
    }
}

/* A crank wheel given with half its teeth: then the cam turns once in four of it. */
static void out_of_step(void **state) {
    (void)state;
    const struct engine *engine = &engines[0];
    struct pulse_list crank_list = read_column(engine, 1);
    struct pulse_list cam_list = read_column(engine, engine->cam_column);
    struct wheel_track *crank = track_of(&crank_list, "1", SHAFT_CRANK);
    struct wheel_track *cam = track_of(&cam_list, engine->cam, SHAFT_CAM);
    struct wheel_phase *phase = phase_of(crank, cam);
    assert_true(fabs(phase->crank_turns - 4.0) < 0.02);
    assert_false(phase->in_step);
    assert_false(phase->moved);
    wheel_phase_free(phase);
    wheel_phase_free(NULL);
    wheel_track_free(crank);
    wheel_track_free(cam);
    pulse_list_free(&crank_list);
    pulse_list_free(&cam_list);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(real_engines),
        cmocka_unit_test(out_of_step),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
