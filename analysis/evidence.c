// SPDX-License-Identifier: Apache-2.0
/*
 * evidence.c - hands every run of a window to all that look at it.
 */
#include "evidence.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define QUIET_S     2.5 /* before the starter engages: what ripples there is no compression */
#define QUIET_END_S 0.05
#define SETTLED_S   0.2 /* behind the engagement: the surge is over */

static bool has_pulses(const struct vehicle_channel *channel) {
    return channel->role == ROLE_SIGNAL || channel->role == ROLE_COMMAND;
}

static int fit_pulses(struct evidence *evidence) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    evidence->pulses = calloc(vehicle->channel_count + 1, sizeof(struct pulses *));
    if (evidence->pulses == NULL)
        return -ENOMEM;
    int result = 0;
    for (size_t i = 0; i < vehicle->channel_count && result == 0; i++) {
        if (has_pulses(&vehicle->channels[i]))
            result = pulses_new(evidence->window, i, &evidence->pulses[i]);
    }
    return result;
}

/* Around the cranking only, with the quiet stretch before it. */
static int fit_ripples(struct evidence *evidence) {
    static const enum role roles[EVIDENCE_RIPPLES] = {ROLE_STARTER_CURRENT, ROLE_BATTERY};
    const struct window *window = evidence->window;
    int result = 0;
    if (isnan(window->engaged_s) || !(window->released_s > window->engaged_s))
        return 0;
    for (size_t i = 0; i < EVIDENCE_RIPPLES && result == 0; i++) {
        size_t channel = vehicle_channel_by_role(window->vehicle, roles[i]);
        if (channel == CHANNEL_NONE)
            continue;
        result = ripple_new(window, channel, window->engaged_s - QUIET_S, window->released_s,
                            &evidence->ripples[i]);
        if (result == 0)
            ripple_quiet(evidence->ripples[i], window->engaged_s - QUIET_S,
                         window->engaged_s - QUIET_END_S);
    }
    return result;
}

int evidence_new(const struct window *window, const struct departure *departures,
                 size_t departure_count, struct evidence **evidence) {
    struct evidence *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->window = window;
    int result = survey_new(window, departures, departure_count, &made->survey);
    if (result == 0)
        result = fit_pulses(made);
    if (result == 0)
        result = fit_ripples(made);
    if (result != 0) {
        evidence_free(made);
        return result;
    }
    *evidence = made;
    return 0;
}

void evidence_free(struct evidence *evidence) {
    if (evidence == NULL)
        return;
    for (size_t i = 0; evidence->pulses != NULL && i < evidence->window->vehicle->channel_count;
         i++)
        pulses_free(evidence->pulses[i]);
    for (size_t i = 0; i < EVIDENCE_RIPPLES; i++)
        ripple_free(evidence->ripples[i]);
    free(evidence->pulses);
    wheel_sensors_free(evidence->window, evidence->tracks);
    survey_free(evidence->survey);
    free(evidence);
}

int evidence_push(struct evidence *evidence, const struct record_run *run) {
    int result = survey_push(evidence->survey, run);
    for (size_t i = 0; i < evidence->window->vehicle->channel_count && result == 0; i++) {
        if (evidence->pulses[i] != NULL)
            result = pulses_push(evidence->pulses[i], run);
    }
    for (size_t i = 0; i < EVIDENCE_RIPPLES && result == 0; i++) {
        if (evidence->ripples[i] != NULL)
            result = ripple_push(evidence->ripples[i], run);
    }
    return result;
}

int evidence_finish(struct evidence *evidence) {
    survey_finish(evidence->survey, evidence->pulses);
    return wheel_sensors_follow(evidence->window, evidence->pulses, &evidence->tracks);
}

bool evidence_stands_still(const struct evidence *evidence) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    bool watched = false;
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        if (vehicle->channels[i].role != ROLE_SIGNAL)
            continue;
        watched = true;
        if (survey_reading(evidence->survey, i, PHASE_CRANKING)->edges > 1)
            return false;
    }
    return watched;
}

bool evidence_turned(const struct evidence *evidence, size_t except, double from_s, double to_s,
                     unsigned edges, size_t *teller) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        size_t signal = vehicle->sensors[i].signal;
        if (signal == CHANNEL_NONE || signal == except)
            continue;
        const struct pulses *pulses = evidence->pulses[signal];
        if (pulses_after(pulses, to_s) - pulses_after(pulses, from_s) >= edges) {
            *teller = signal;
            return true;
        }
    }
    for (size_t i = 0; i < EVIDENCE_RIPPLES; i++) {
        struct ripple_estimate estimate;
        if (evidence->ripples[i] != NULL &&
            ripple_estimate(evidence->ripples[i], from_s, to_s, &estimate)) {
            *teller = ripple_channel(evidence->ripples[i]);
            return true;
        }
    }
    return false;
}

static bool watches_signal(const struct vehicle *vehicle) {
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        if (vehicle->sensors[i].signal != CHANNEL_NONE)
            return true;
    }
    return false;
}

bool evidence_follows_engine(const struct evidence *evidence) {
    size_t teller;
    return survey_turned(evidence->survey) ||
           (watches_signal(evidence->window->vehicle) && !isnan(evidence->window->engaged_s) &&
            evidence_turned(evidence, CHANNEL_NONE, evidence->window->engaged_s + SETTLED_S,
                            evidence->window->released_s, 2, &teller));
}

bool evidence_catches(const struct evidence *evidence, double at_s) {
    bool may_run = evidence->outcome == OUTCOME_STARTED || evidence->outcome == OUTCOME_UNKNOWN ||
                   evidence->outcome == OUTCOME_STARTED_THEN_STOPPED;
    return may_run && fabs(at_s - evidence->window->released_s) < EVIDENCE_CATCH_S;
}

bool evidence_locked(const struct evidence *evidence) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    size_t current = vehicle_channel_by_role(vehicle, ROLE_STARTER_CURRENT);
    size_t teller;
    return current != CHANNEL_NONE &&
           survey_level(evidence->survey, current, PHASE_CRANKING, 0.5, false) >
               evidence->window->limits->starter_current_on &&
           evidence_stands_still(evidence) &&
           !evidence_turned(evidence, CHANNEL_NONE, evidence->window->engaged_s + SETTLED_S,
                            evidence->window->released_s, 2, &teller);
}

bool evidence_ripple_speed(const struct evidence *evidence, double *rpm, double *slowest,
                           double *fastest, size_t *channel) {
    const struct window *window = evidence->window;
    for (size_t i = 0; i < EVIDENCE_RIPPLES; i++) {
        struct ripple_estimate estimate;
        if (evidence->ripples[i] == NULL ||
            !ripple_estimate(evidence->ripples[i], window->engaged_s + SETTLED_S,
                             window->released_s, &estimate) ||
            isnan(estimate.rpm))
            continue;
        *rpm = estimate.rpm;
        *slowest = estimate.rpm_low;
        *fastest = estimate.rpm_high;
        *channel = ripple_channel(evidence->ripples[i]);
        return true;
    }
    return false;
}
