// SPDX-License-Identifier: Apache-2.0
/*
 * step_judge.c - the cam's edges on the crank's two turns, by the wheels or by single edges.
 */
#include "step_judge.h"

#include "cam_step.h"
#include "result.h"
#include "texts.h"
#include "wheel_phase.h"

#include <math.h>

/* Common practice, no source: */
#define START_S            0.5 /* from rest the speed changes much from tooth to tooth */
#define MISCOUNTED_DEGREES 3.0
#define MOST_DEGREES       60.0 /* what seems to move by more is a turn counted wrong */
#define CAM_EDGES          256

/* A movement of the cam's edges, by either way of looking at it. */
struct movement {
    struct cam_step step;
    double from_degrees, to_degrees; /* NAN: no more is known than how far */
};

static void add_out_of_step(const struct evidence *evidence, size_t crank, size_t cam,
                            const struct movement *movement, struct candidates *candidates) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    size_t signal = vehicle->sensors[cam].signal;
    if (candidates_have(candidates, FAULT_OUT_OF_STEP, signal))
        return;
    struct candidate *candidate = candidates_add(candidates, FAULT_OUT_OF_STEP, signal, cam);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    const char *name = vehicle->channels[signal].name;
    candidate->from_s = movement->step.from_s;
    candidate->from_until_s = movement->step.to_s;
    candidate->extreme = movement->step.degrees;
    candidate->unit = "degrees";
    candidate->certainty = CERTAINTY_SHOWN;
    candidate->observed =
        result_sentence(error, TEXT_STEP, vehicle->channels[vehicle->sensors[crank].signal].name,
                        name, fabs(movement->step.degrees));
    candidate->text = result_sentence(error, TEXT_STEP_SHORT);
    if (!isnan(movement->from_degrees))
        result_say(error, &candidate->because, TEXT_STEP_FROM_TO, name, movement->from_degrees,
                   movement->to_degrees);
    result_say(error, &candidate->alternatives, TEXT_STEP_CHAIN);
    result_say(error, &candidate->alternatives, TEXT_STEP_SENSOR);
    result_say(error, &candidate->next, TEXT_STEP_NEXT);
}

/* By the wheels as followed; false with `*error` where memory is short. */
static bool moved_by_wheels(const struct evidence *evidence, size_t crank, size_t cam,
                            struct movement *movement, int *error) {
    struct wheel_phase *phase = NULL;
    int result = wheel_phase_new(evidence->tracks[crank], evidence->tracks[cam], &phase);
    if (result != 0) {
        *error = result;
        return false;
    }
    bool moved = phase->moved;
    if (moved)
        *movement = (struct movement){{phase->moved_from_s, phase->moved_to_s, phase->moved_by},
                                      phase->from_degrees,
                                      phase->to_degrees};
    wheel_phase_free(phase);
    return moved;
}

/* By the few edges of a cam whose wheel could not be learnt, while the starter turned. */
static bool moved_by_edges(const struct evidence *evidence, size_t crank, size_t cam,
                           struct movement *movement) {
    double turns[CAM_EDGES];
    double times[CAM_EDGES];
    size_t kept = 0;
    size_t count;
    size_t first_stretch = 0;
    const struct pulses *pulses = evidence->pulses[evidence->window->vehicle->sensors[cam].signal];
    const struct pulse *list = pulses_list(pulses, &count);
    size_t end = pulses_after(pulses, evidence->window->released_s);
    for (size_t i = pulses_after(pulses, evidence->window->engaged_s + START_S); i < end; i++) {
        size_t stretch;
        if (!list[i].rises || kept == CAM_EDGES ||
            !wheel_track_position(evidence->tracks[crank], list[i].at_s, &turns[kept], &stretch))
            continue;
        if (kept == 0)
            first_stretch = stretch;
        if (stretch == first_stretch)
            times[kept++] = list[i].at_s;
    }
    movement->from_degrees = movement->to_degrees = (double)NAN;
    /* a winding's zeros wander with the speed, and its swing with what is found of it */
    bool hall = evidence->window->vehicle->sensors[cam].kind == SENSOR_HALL;
    return hall && evidence->tracks[crank]->pattern.turn_known &&
           cam_step_find(turns, times, kept, &movement->step);
}

/* On a wheel without a mark a pulse too many or too few moves every place by a tooth. */
static bool is_miscounted(const struct wheel_pattern *crank, double degrees) {
    double pitch = 360.0 / (double)crank->edges;
    return !crank->marked && fabs(remainder(degrees, pitch)) < MISCOUNTED_DEGREES;
}

static void judge_step(const struct evidence *evidence, size_t crank, size_t cam,
                       struct candidates *candidates) {
    struct movement movement;
    if (!moved_by_wheels(evidence, crank, cam, &movement, &candidates->error) &&
        !moved_by_edges(evidence, crank, cam, &movement))
        return;
    if (evidence_catches(evidence, movement.step.to_s) ||
        fabs(movement.step.degrees) > MOST_DEGREES ||
        is_miscounted(&evidence->tracks[crank]->pattern, movement.step.degrees))
        return;
    /* while the engine runs, a cam may be adjusted on purpose */
    if (window_phase_at(evidence->window, movement.step.to_s) == PHASE_CRANKING)
        add_out_of_step(evidence, crank, cam, &movement, candidates);
}

void step_judge(const struct evidence *evidence, struct candidates *candidates) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    if (isnan(evidence->window->engaged_s))
        return;
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        for (size_t k = 0; k < vehicle->sensor_count; k++) {
            if (vehicle->sensors[i].shaft == SHAFT_CRANK &&
                vehicle->sensors[k].shaft == SHAFT_CAM && evidence->tracks[i] != NULL &&
                evidence->tracks[k] != NULL)
                judge_step(evidence, i, k, candidates);
        }
    }
}
