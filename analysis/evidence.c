// SPDX-License-Identifier: Apache-2.0
/*
 * evidence.c - hands every run of a window to all that look at it.
 */
#include "evidence.h"

#include <errno.h>
#include <stdlib.h>

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

int evidence_new(const struct window *window, const struct departure *departures,
                 size_t departure_count, struct evidence **evidence) {
    struct evidence *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->window = window;
    int result = survey_new(window, departures, departure_count, &made->survey);
    if (result == 0)
        result = fit_pulses(made);
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
    free(evidence->pulses);
    survey_free(evidence->survey);
    free(evidence);
}

int evidence_push(struct evidence *evidence, const struct record_run *run) {
    int result = survey_push(evidence->survey, run);
    for (size_t i = 0; i < evidence->window->vehicle->channel_count && result == 0; i++) {
        if (evidence->pulses[i] != NULL)
            result = pulses_push(evidence->pulses[i], run);
    }
    return result;
}

int evidence_finish(struct evidence *evidence) {
    survey_finish(evidence->survey, evidence->pulses);
    return 0;
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
