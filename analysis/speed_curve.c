// SPDX-License-Identifier: Apache-2.0
/*
 * speed_curve.c - a moment every tenth of a second, from the engagement till the engine runs.
 */
#include "speed_curve.h"

#include "rotation.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define STEP_S     0.1
#define MOST_STEPS 300.0
#define BEHIND_S   2.0 /* the release: it runs, or it does not */
#define SETTLED_S  0.2 /* behind the engagement: the surge is over */
#define MOST_BEATS 64

struct curve {
    const struct evidence *evidence;
    double from_s, to_s;
    struct rotation_sensor *sensors;
    size_t sensor_count;
    struct rotation_ripple ripples[EVIDENCE_RIPPLES];
    struct ripple_beat beats[EVIDENCE_RIPPLES][MOST_BEATS];
    size_t ripple_count;
    struct rotation_still still;
    bool has_still;
    struct rotation *rotation;
};

/* The sensors of the crank first: their turns are the finer ones. */
static int fit_sensors(struct curve *curve) {
    const struct evidence *evidence = curve->evidence;
    const struct vehicle *vehicle = evidence->window->vehicle;
    curve->sensors = calloc(vehicle->sensor_count + 1, sizeof *curve->sensors);
    if (curve->sensors == NULL)
        return -ENOMEM;
    for (int cams = 0; cams < 2; cams++) {
        for (size_t i = 0; i < vehicle->sensor_count; i++) {
            const struct vehicle_sensor *sensor = &vehicle->sensors[i];
            const struct wheel_track *track = evidence->tracks[i];
            if (track == NULL || (sensor->shaft == SHAFT_CAM) != (cams == 1))
                continue;
            /* a wheel that was learnt may be a part of the true one: it counts no cylinders */
            bool given = sensor->wheel.places > 0 && track->pattern.turn_known;
            struct rotation_sensor *added = &curve->sensors[curve->sensor_count++];
            *added = (struct rotation_sensor){
                .channel = sensor->signal,
                .turn_pulses = given ? 2 * track->pattern.edges : 0,
                .crank_turns = track->crank_turns,
            };
            added->pulses = pulses_list(evidence->pulses[sensor->signal], &added->pulse_count);
        }
    }
    return 0;
}

static int fit_ripples(struct curve *curve) {
    const struct window *window = curve->evidence->window;
    for (size_t i = 0; i < EVIDENCE_RIPPLES; i++) {
        const struct ripple *ripple = curve->evidence->ripples[i];
        struct rotation_ripple *added = &curve->ripples[curve->ripple_count];
        if (ripple == NULL || !ripple_estimate(ripple, window->engaged_s + SETTLED_S,
                                               window->released_s, &added->estimate))
            continue;
        struct ripple_beat *beats = curve->beats[curve->ripple_count];
        int count = ripple_beats(ripple, &added->estimate, window->engaged_s, window->released_s,
                                 beats, MOST_BEATS);
        if (count < 0)
            return count;
        added->channel = ripple_channel(ripple);
        added->beats = beats;
        added->beat_count = (size_t)count;
        curve->ripple_count++;
    }
    return 0;
}

static void fit_still(struct curve *curve) {
    const struct window *window = curve->evidence->window;
    size_t current = vehicle_channel_by_role(window->vehicle, ROLE_STARTER_CURRENT);
    const struct ripple *ripple = curve->evidence->ripples[0];
    curve->has_still = current != CHANNEL_NONE && ripple != NULL &&
                       ripple_channel(ripple) == current &&
                       rotation_locked(ripple, window->engaged_s, window->released_s,
                                       window->limits->starter_current_on, &curve->still);
}

static int open_curve(struct curve *curve) {
    int result = fit_sensors(curve);
    if (result == 0)
        result = fit_ripples(curve);
    if (result != 0)
        return result;
    fit_still(curve);
    struct rotation_evidence all = {
        .from_s = curve->from_s,
        .to_s = curve->to_s,
        .cylinders = curve->evidence->window->vehicle->cylinders,
        .sensors = curve->sensors,
        .sensor_count = curve->sensor_count,
        .ripples = curve->ripples,
        .ripple_count = curve->ripple_count,
        .stills = &curve->still,
        .still_count = curve->has_still ? 1 : 0,
    };
    return rotation_new(&all, &curve->rotation);
}

static void close_curve(struct curve *curve) {
    rotation_free(curve->rotation);
    free(curve->sensors);
}

/* Of the turn around a moment, as the wheel was followed: pulses may be missing in it. */
static bool by_wheel(const struct curve *curve, double at_s, struct rotation_speed *speed) {
    const struct evidence *evidence = curve->evidence;
    for (size_t i = 0; i < evidence->window->vehicle->sensor_count; i++) {
        const struct wheel_track *track = evidence->tracks[i];
        if (track == NULL ||
            evidence->window->vehicle->sensors[i].signal != evidence->speed_channel)
            continue;
        for (size_t k = 0; k < track->turn_count; k++) {
            const struct wheel_turn *turn = &track->turns[k];
            if (at_s < turn->from_s || at_s >= turn->to_s)
                continue;
            speed->rpm = 60.0 * track->crank_turns / (turn->to_s - turn->from_s);
            speed->source = ROTATION_BY_EDGES;
            speed->channel = evidence->speed_channel;
            return true;
        }
    }
    return false;
}

static int add_speeds(const struct curve *curve, struct analysis_attempt *attempt) {
    double step_s = fmax(STEP_S, (curve->to_s - curve->from_s) / MOST_STEPS);
    attempt->speeds = calloc((size_t)(MOST_STEPS + 2.0), sizeof *attempt->speeds);
    if (attempt->speeds == NULL)
        return -ENOMEM;
    size_t steps = (size_t)ceil((curve->to_s - curve->from_s) / step_s);
    for (size_t i = 0; i < steps && i < (size_t)MOST_STEPS + 1; i++) {
        double at_s = curve->from_s + (double)i * step_s;
        struct rotation_speed speed;
        if (!by_wheel(curve, at_s, &speed) && !rotation_speed_at(curve->rotation, at_s, &speed))
            continue;
        attempt->speeds[attempt->speed_count++] =
            (struct analysis_speed){at_s, speed.rpm, speed.source, speed.channel};
    }
    return 0;
}

static int add_turning(const struct curve *curve, struct analysis_attempt *attempt) {
    size_t count;
    const struct rotation_stretch *stretches = rotation_stretches(curve->rotation, &count);
    attempt->turning = calloc(count + 1, sizeof *attempt->turning);
    if (attempt->turning == NULL)
        return -ENOMEM;
    for (size_t i = 0; i < count; i++)
        attempt->turning[i] = stretches[i];
    attempt->turning_count = count;
    return 0;
}

int speed_curve_fill(const struct evidence *evidence, struct analysis_attempt *attempt) {
    const struct window *window = evidence->window;
    if (isnan(window->engaged_s) || !(window->released_s > window->engaged_s))
        return 0;
    struct curve *curve = calloc(1, sizeof *curve);
    if (curve == NULL)
        return -ENOMEM;
    curve->evidence = evidence;
    curve->from_s = window->engaged_s;
    curve->to_s = fmin(window->to_s, window->released_s + BEHIND_S);
    int result = open_curve(curve);
    if (result == 0)
        result = add_speeds(curve, attempt);
    if (result == 0)
        result = add_turning(curve, attempt);
    if (result == 0)
        attempt->cylinders = rotation_cylinders(curve->rotation);
    close_curve(curve);
    free(curve);
    return result;
}
