// SPDX-License-Identifier: Apache-2.0
/*
 * starter_judge.c - from request, current and speed to candidates.
 */
#include "starter_judge.h"

#include "result.h"
#include "texts.h"
#include "words.h"

#include <math.h>

#define DATED_S 0.01 /* the starter's engagement is dated no finer */

static double median(const struct survey *survey, enum role role, enum phase phase) {
    size_t channel = vehicle_channel_by_role(survey->vehicle, role);
    return channel == CHANNEL_NONE ? (double)NAN : survey_level(survey, channel, phase, 0.5, false);
}

static struct candidate *add(const struct evidence *evidence, enum fault fault, size_t channel,
                             struct candidates *candidates) {
    struct candidate *candidate = candidates_add(candidates, fault, channel, CHANNEL_NONE);
    if (candidate == NULL)
        return NULL;
    candidate->standing = true;
    candidate->from_s = evidence->window->engaged_s - DATED_S;
    candidate->from_until_s = evidence->window->engaged_s + DATED_S;
    candidate->to_s = evidence->window->released_s;
    return candidate;
}

/* ---- nothing followed the request ---- */

static void add_not_cranked(const struct evidence *evidence, struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    size_t request = vehicle_channel_by_role(survey->vehicle, ROLE_START_REQUEST);
    struct candidate *candidate = add(evidence, FAULT_NO_ROTATION, request, candidates);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    double volts = median(survey, ROLE_BATTERY, PHASE_KEY_ON);
    bool current = vehicle_channel_by_role(survey->vehicle, ROLE_STARTER_CURRENT) != CHANNEL_NONE;
    candidate->certainty = current ? CERTAINTY_SHOWN : CERTAINTY_LIKELY;
    candidate->observed = result_sentence(error, TEXT_NOT_CRANKED);
    candidate->text = result_sentence(error, TEXT_NOT_CRANKED_SHORT);
    if (!isnan(volts))
        result_say(error, &candidate->because, TEXT_NOT_CRANKED_BATTERY, volts);
    if (current)
        result_say(error, &candidate->because, TEXT_NOT_CRANKED_CURRENT);
    result_say(error, &candidate->alternatives, TEXT_NO_SOLENOID);
    result_say(error, &candidate->alternatives, TEXT_NO_INTERLOCK);
    result_say(error, &candidate->alternatives, TEXT_NO_CABLE);
    result_say(error, &candidate->next, TEXT_NOT_CRANKED_NEXT);
}

/* ---- locked ---- */

static void add_locked(const struct evidence *evidence, double amperes,
                       struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    size_t current = vehicle_channel_by_role(survey->vehicle, ROLE_STARTER_CURRENT);
    struct candidate *candidate = add(evidence, FAULT_NO_ROTATION, current, candidates);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    candidate->extreme = amperes;
    candidate->unit = "A";
    candidate->certainty = CERTAINTY_LIKELY;
    candidate->observed = result_sentence(error, TEXT_LOCKED, amperes);
    candidate->text = result_sentence(error, TEXT_LOCKED_SHORT);
    result_say(error, &candidate->because, TEXT_LOCKED_EDGES);
    result_say(error, &candidate->alternatives, TEXT_LOCKED_ENGINE);
    result_say(error, &candidate->next, TEXT_LOCKED_NEXT);
}

/* ---- slow ---- */

static void add_slow(const struct evidence *evidence, struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    struct candidate *candidate =
        add(evidence, FAULT_SLOW_CRANK, evidence->speed_channel, candidates);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    double volts = median(survey, ROLE_BATTERY, PHASE_CRANKING);
    double amperes = median(survey, ROLE_STARTER_CURRENT, PHASE_CRANKING);
    candidate->extreme = evidence->rpm;
    candidate->unit = "rpm";
    candidate->certainty = evidence->speed_certain ? CERTAINTY_SHOWN : CERTAINTY_LIKELY;
    candidate->observed =
        result_sentence(error, TEXT_SLOW, evidence->rpm, survey->limits->slow_crank);
    candidate->text = result_sentence(error, TEXT_SLOW_SHORT, evidence->rpm);
    if (evidence->speed_channel != CHANNEL_NONE)
        result_say(error, &candidate->because, TEXT_SLOW_SOURCE,
                   words_channel(survey, evidence->speed_channel));
    if (!isnan(volts))
        result_say(error, &candidate->because, TEXT_SLOW_BATTERY, volts);
    if (!isnan(amperes))
        result_say(error, &candidate->because, TEXT_SLOW_CURRENT, amperes);
    result_say(error, &candidate->alternatives, TEXT_SLOW_STARTER);
    result_say(error, &candidate->alternatives, TEXT_SLOW_ENGINE);
    result_say(error, &candidate->next, TEXT_SLOW_NEXT);
}

static bool battery_explains(const struct survey *survey, const struct candidates *candidates) {
    size_t battery = vehicle_channel_by_role(survey->vehicle, ROLE_BATTERY);
    return battery != CHANNEL_NONE && candidates_have(candidates, FAULT_CRANK_VOLTAGE_LOW, battery);
}

static bool by_signal(const struct evidence *evidence) {
    return evidence->window->vehicle->channels[evidence->speed_channel].role == ROLE_SIGNAL;
}

void starter_judge(const struct evidence *evidence, struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    double amperes = median(survey, ROLE_STARTER_CURRENT, PHASE_CRANKING);
    if (evidence_locked(evidence)) {
        add_locked(evidence, amperes, candidates);
        return;
    }
    if (evidence->outcome == OUTCOME_DID_NOT_CRANK) {
        add_not_cranked(evidence, candidates);
        return;
    }
    if (isnan(evidence->window->engaged_s))
        return;
    /* a learnt wheel that nothing confirms may be a part of the true one */
    bool known = evidence->speed_certain || (evidence->has_speed && !by_signal(evidence));
    if (known && evidence->rpm < survey->limits->slow_crank &&
        !battery_explains(survey, candidates))
        add_slow(evidence, candidates);
}
