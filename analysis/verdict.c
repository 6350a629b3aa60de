// SPDX-License-Identifier: Apache-2.0
/*
 * verdict.c - which circuit let go first, or that none that was watched did; and all that a
 * technician would say beside it. Observation and cause are kept apart.
 */
#include "verdict.h"

#include "checks.h"
#include "collapse.h"
#include "coverage.h"
#include "feeds.h"
#include "result.h"
#include "words.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

static int add_finding(const struct survey *survey, const struct collapse *collapse,
                       unsigned attempt, struct analysis *analysis) {
    struct analysis_finding *finding = result_add_finding(analysis);
    if (finding == NULL)
        return -ENOMEM;
    int error = 0;
    const struct departure *dip = collapse->dip;
    *finding = (struct analysis_finding){
        .fault = FAULT_FEED_COLLAPSE,
        .channel = dip->channel,
        .sensor = collapse->sensor,
        .attempt = attempt,
        .from_s = dip->from_s,
        .from_until_s = dip->from_until_s,
        .to_s = dip->to_s,
        .extreme = collapse->lowest,
        .unit = survey->vehicle->channels[dip->channel].unit,
        .text = result_sentence(&error, "%s fell from %.2f V to %.2f V %s.",
                                words_channel(survey, dip->channel), collapse->before,
                                collapse->lowest, words_phase(collapse->phase)),
    };
    return error;
}

/* ---- the feed that fell ---- */

static void say_observed(const struct survey *survey, const struct collapse *collapse,
                         struct analysis_verdict *verdict, int *error) {
    const struct departure *dip = collapse->dip;
    const struct vehicle_channel *feed = &survey->vehicle->channels[dip->channel];
    char *length = isnan(dip->to_s)
                       ? result_sentence(error, "to the end of the record")
                       : result_sentence(error, "for %.3f s", dip->to_s - dip->from_until_s);
    char *battery =
        isnan(collapse->battery_volts)
            ? result_sentence(error, "the battery was not watched")
            : result_sentence(error, "the battery held %.1f V", collapse->battery_volts);
    if (length != NULL && battery != NULL)
        verdict->observed =
            result_sentence(error, "%s fell from %.2f V to %.2f V %s %s, %s; %s.", feed->name,
                            collapse->before, collapse->lowest, words_place(feed->measured_at),
                            words_phase(collapse->phase), length, battery);
    free(length);
    free(battery);
}

static void say_doubts(const struct survey *survey, const struct collapse *collapse,
                       struct analysis_verdict *verdict, int *error) {
    struct analysis_texts *because = &verdict->because;
    if (collapse->battery_unwatched)
        result_say(error, because,
                   "The battery was not watched, so a feed that falls with it "
                   "cannot be told from one that falls alone.");
    if (collapse->key_unclear)
        result_say(error, because,
                   "Nothing but this feed tells whether the key was on: it may "
                   "simply have been turned off.");
    if (collapse->loss_at_onset)
        result_say(error, because, "Scans are missing where it fell.");
    if (collapse->barely)
        result_say(error, because,
                   "It was below its limit by no more than the measurement's own "
                   "error.");
    if (collapse->clipped)
        result_say(error, because,
                   "Before it fell it stood at the end of the input's range: its "
                   "true level was not known.");
    if (collapse->ends_at_once)
        result_say(error, because, "The record ends right behind it.");
    if (collapse->ground_unclear)
        result_say(error, because,
                   "No return was watched beside it, and the board's ground is not "
                   "at the battery's negative post.");
    if (collapse->stopped_before != CHANNEL_NONE)
        result_say(error, because, "%s had stopped before the feed fell.",
                   words_channel(survey, collapse->stopped_before));
}

static void say_reasons(const struct survey *survey, const struct collapse *collapse,
                        struct analysis_verdict *verdict, int *error) {
    struct analysis_texts *because = &verdict->because;
    double limit = feeds_lower_limit(survey->vehicle, survey->limits, collapse->dip->channel,
                                     collapse->battery_volts);
    result_say(error, because, "%s must hold at least %.2f V, also while cranking.",
               words_channel(survey, collapse->dip->channel), limit);
    if (collapse->phase == PHASE_CRANKING && !isnan(survey->window->engaged_s))
        result_say(error, because, "It let go %.3f s after the starter had engaged.",
                   collapse->dip->from_until_s - survey->window->engaged_s);
    if (collapse->dip->times > 1)
        result_say(error, because,
                   "It came back and fell again: %u times within moments, as a "
                   "loose contact does.",
                   collapse->dip->times);
    if (!isnan(collapse->battery_volts))
        result_say(error, because, "The battery stood at %.1f V when it fell: enough to supply it.",
                   collapse->battery_volts);
    if (!isnan(collapse->return_highest))
        result_say(error, because, "Its return stayed at %.2f V or below.",
                   collapse->return_highest);
    say_doubts(survey, collapse, verdict, error);
}

/* Feeds that fell as well, within this one's dip: what they share is the likelier cause. */
static void say_other_feeds(const struct survey *survey, const struct collapse *collapse,
                            struct analysis_verdict *verdict, int *error) {
    for (size_t i = 0; i < survey->departure_count; i++) {
        const struct departure *dip = survey->departures[i];
        double later_s = dip->from_until_s - collapse->dip->from_s;
        if (dip->channel == collapse->dip->channel || later_s < 0.0 ||
            survey->vehicle->channels[dip->channel].role != ROLE_FEED ||
            (!isnan(collapse->dip->to_s) && dip->from_s > collapse->dip->to_s))
            continue;
        bool order_known = dip->from_s > collapse->dip->from_until_s;
        if (order_known)
            result_say(error, &verdict->followers, "%s fell too, %.1f ms later.",
                       words_channel(survey, dip->channel),
                       1e3 * (dip->from_until_s - collapse->dip->from_until_s));
        else
            result_say(error, &verdict->followers,
                       "%s fell together with it, within %.1f ms: which of them was first is not "
                       "known.",
                       words_channel(survey, dip->channel), 1e3 * later_s);
        result_say(error, &verdict->alternatives,
                   "What %s and %s have in common: their supply in the control unit, or its own.",
                   words_channel(survey, collapse->dip->channel),
                   words_channel(survey, dip->channel));
    }
}

static void say_followers(const struct survey *survey, const struct collapse *collapse,
                          struct analysis_verdict *verdict, int *error) {
    const struct vehicle *vehicle = survey->vehicle;
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        const struct vehicle_sensor *sensor = &vehicle->sensors[i];
        if (sensor->feed != collapse->dip->channel || sensor->signal == CHANNEL_NONE ||
            !collapse_silences(survey, collapse->index, sensor->signal))
            continue;
        const struct departure_view *view = survey_view(survey, collapse->index, sensor->signal);
        result_say(
            error, &verdict->followers,
            "%s stopped: its last edge came %.1f ms before the feed was down, the next was "
            "due within %.1f ms.",
            words_channel(survey, sensor->signal),
            1e3 * (collapse->dip->from_until_s - view->last_edge_s),
            1e3 * (collapse_edge_due(survey, collapse->index, sensor->signal) - view->last_edge_s));
    }
}

static void say_next(const struct survey *survey, const struct collapse *collapse,
                     struct analysis_verdict *verdict, int *error) {
    const char *feed = words_channel(survey, collapse->dip->channel);
    result_say(error, &verdict->alternatives,
               "A contact or a break in the wire of %s between the control unit and the probe.",
               feed);
    result_say(error, &verdict->alternatives, "The supply of %s inside the control unit.", feed);
    result_say(error, &verdict->alternatives,
               "A short to ground on %s: in this sensor, another on the same feed, or the harness.",
               feed);
    result_say(error, &verdict->alternatives, "The probe itself came off for a moment.");
    result_say(error, &verdict->next,
               "Put a second probe on %s at the control unit and crank: if it holds there while it "
               "falls at the sensor, the wire or a connector between is open; if it falls there "
               "too, look at what supplies it or loads it. Cranking moves belts and fans: stand "
               "clear, and crank 10 to 15 s at most.",
               feed);
    result_say(error, &verdict->next,
               "With the key on and the engine off, move the harness and the connectors of %s and "
               "watch it (cranktrap now --wiggle).",
               feed);
}

static int say_collapse(const struct survey *survey, const struct collapse *collapse,
                        struct analysis_verdict *verdict) {
    int error = 0;
    verdict->fault = FAULT_FEED_COLLAPSE;
    verdict->certainty = collapse_certainty(collapse);
    verdict->channel = collapse->dip->channel;
    verdict->sensor = collapse->sensor;
    verdict->at_from_s = collapse->dip->from_s;
    verdict->at_to_s = collapse->dip->from_until_s;
    verdict->at_s = (verdict->at_from_s + verdict->at_to_s) / 2.0;
    say_observed(survey, collapse, verdict, &error);
    say_reasons(survey, collapse, verdict, &error);
    say_followers(survey, collapse, verdict, &error);
    say_other_feeds(survey, collapse, verdict, &error);
    say_next(survey, collapse, verdict, &error);
    return error;
}

/* ---- nothing that can be blamed ---- */

/* A dip that something else explains: said, not blamed. */
static void say_explained(const struct survey *survey, const struct collapse *collapse,
                          struct analysis_verdict *verdict, int *error) {
    const char *feed = words_channel(survey, collapse->dip->channel);
    verdict->certainty = CERTAINTY_CANNOT_TELL;
    if (collapse->battery_low)
        result_say(error, &verdict->because,
                   "%s fell, but so did the battery, to %.1f V: too little to supply it. This "
                   "version draws no verdict on the battery.",
                   feed, collapse->battery_volts);
    if (collapse->battery_low)
        result_say(error, &verdict->next,
                   "Charge and test the battery, then its posts and cables under load, before the "
                   "sensor circuits. Batteries gas: no sparks.");
    if (collapse->return_rose)
        result_say(error, &verdict->because,
                   "%s was low against its return because the return rose to %.2f V. This version "
                   "draws no verdict on returns.",
                   feed, collapse->return_highest);
    if (collapse->lead_suspect)
        result_say(error, &verdict->because,
                   "%s read as dead while %s went on swinging fully: the lead on %s is suspect, "
                   "not the circuit.",
                   feed, words_channel(survey, collapse->swinging), feed);
    if (collapse->lead_suspect)
        result_say(error, &verdict->next, "Seat the probe on %s again, tug at it, and repeat.",
                   feed);
}

static void observe_nothing(unsigned attempt, enum outcome outcome, enum coverage covered,
                            struct analysis_verdict *verdict, int *error) {
    if (outcome == OUTCOME_DID_NOT_CRANK) {
        verdict->certainty = CERTAINTY_CANNOT_TELL;
        verdict->observed = result_sentence(
            error, "A start was asked for, and nothing that is watched shows the starter pulling.");
    } else if (covered == COVERED_NOTHING) {
        verdict->certainty = CERTAINTY_CANNOT_TELL;
        verdict->observed =
            result_sentence(error, "Nothing on the watched leads could be judged in this record.");
    } else {
        verdict->certainty = covered == COVERED_ALL ? CERTAINTY_SHOWN : CERTAINTY_LIKELY;
        verdict->observed = result_sentence(
            error, "Every watched circuit that could be judged stayed within its limits%s.",
            attempt > 0 ? " while the starter turned" : "");
    }
}

/* What a technician would do next after an attempt in which nothing watched was at fault. */
static void say_next_after_nothing(enum outcome outcome, struct analysis_verdict *verdict,
                                   int *error) {
    switch (outcome) {
    case OUTCOME_DID_NOT_START:
    case OUTCOME_STARTED_THEN_STOPPED:
        result_say(error, &verdict->next,
                   "The fault was not on the circuits that were watched and judged. Move leads to "
                   "what was not tested, fuel and ignition commands first, by rated probes or "
                   "clamps only, and wait for the next attempt that fails.");
        break;
    case OUTCOME_DID_NOT_CRANK:
        result_say(error, &verdict->next,
                   "Ask for a start again and measure at the solenoid's control terminal, then the "
                   "drop over both battery cables: stand clear of belts and fans, brake on, out of "
                   "gear, for it may crank after all.");
        break;
    case OUTCOME_RELEASED_EARLY:
        result_say(error, &verdict->next,
                   "The starter was let go too soon to tell. Crank again, 10 to 15 s at most, then "
                   "let it rest; stand clear of belts and fans.");
        break;
    case OUTCOME_STARTED:
        result_say(error, &verdict->next,
                   "It started: leave the leads as they are and wait for an attempt that fails.");
        break;
    case OUTCOME_UNKNOWN:
        result_say(error, &verdict->next,
                   "Whether it started cannot be told. A lead on a position sensor's signal, with "
                   "some seconds recorded behind the release, would tell.");
        break;
    }
}

static void say_nothing_found(const struct survey *survey, unsigned attempt, enum outcome outcome,
                              const struct analysis *analysis, struct analysis_verdict *verdict,
                              int *error) {
    bool explained = verdict->certainty == CERTAINTY_CANNOT_TELL; /* a dip with another reason */
    if (checks_failed(analysis, attempt) > 0 || explained) {
        verdict->certainty = CERTAINTY_CANNOT_TELL;
        verdict->observed = result_sentence(
            error, explained ? "A feed fell, but something else explains it: no circuit is blamed."
                             : "No feed fell, but a circuit was out of its limits.");
        coverage_say_failed(survey, attempt, analysis, CHANNEL_NONE, verdict, error);
        return;
    }
    observe_nothing(attempt, outcome, coverage_of(survey, attempt, analysis), verdict, error);
    coverage_say_good(survey, attempt, analysis, verdict, error);
    if (attempt > 0)
        say_next_after_nothing(outcome, verdict, error);
}

int verdict_draw(const struct survey *survey, unsigned attempt, enum outcome outcome,
                 struct analysis *analysis, struct analysis_verdict *verdict) {
    int error = 0;
    struct collapse first = {0};
    *verdict = result_empty_verdict();
    verdict->certainty = CERTAINTY_LIKELY;
    for (size_t i = 0; i < survey->departure_count; i++) {
        if (survey->vehicle->channels[survey->departures[i]->channel].role != ROLE_FEED)
            continue;
        struct collapse collapse = collapse_judge(survey, i);
        if (!collapse_stands(&collapse)) {
            if (collapse.event)
                say_explained(survey, &collapse, verdict, &error);
            continue;
        }
        if (error == 0)
            error = add_finding(survey, &collapse, attempt, analysis);
        if (first.dip == NULL || collapse.dip->from_s < first.dip->from_s)
            first = collapse;
    }
    if (error == 0 && first.dip != NULL)
        error = say_collapse(survey, &first, verdict);
    else if (error == 0)
        say_nothing_found(survey, attempt, outcome, analysis, verdict, &error);
    if (error == 0 && first.dip != NULL)
        coverage_say_failed(survey, attempt, analysis, first.dip->channel, verdict, &error);
    if (error == 0)
        coverage_say_not_tested(survey, attempt, analysis, verdict, &error);
    return error;
}
