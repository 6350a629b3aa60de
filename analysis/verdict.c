// SPDX-License-Identifier: Apache-2.0
/*
 * verdict.c - which circuit let go first, or that none that was watched did; and all that a
 * technician would say beside it. Observation and cause are kept apart.
 */
#include "verdict.h"

#include "checks.h"
#include "collapse.h"
#include "result.h"

#include <errno.h>
#include <math.h>

static const char *channel_name(const struct survey *survey, size_t channel) {
    return survey->vehicle->channels[channel].name;
}

static const char *phase_words(enum phase phase) {
    switch (phase) {
    case PHASE_CRANKING:
        return "while the starter turned";
    case PHASE_RUNNING:
        return "while the engine ran";
    case PHASE_KEY_ON:
        return "with the key on";
    default:
        return "while the phase was not known";
    }
}

static int add_finding(const struct survey *survey, const struct collapse *collapse,
                       unsigned attempt, struct analysis *analysis) {
    struct analysis_finding *finding = result_add_finding(analysis);
    if (finding == NULL)
        return -ENOMEM;
    int error = 0;
    const struct feed_dip *dip = collapse->dip;
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
                                channel_name(survey, dip->channel), collapse->before,
                                collapse->lowest, phase_words(collapse->phase)),
    };
    return error;
}

/* ---- the feed that fell ---- */

static void say_observed(const struct survey *survey, const struct collapse *collapse,
                         struct analysis_verdict *verdict, int *error) {
    const struct vehicle_channel *feed = &survey->vehicle->channels[collapse->dip->channel];
    const char *place =
        feed->measured_at == PLACE_UNKNOWN ? "its probe" : place_name(feed->measured_at);
    if (isnan(collapse->battery_volts))
        verdict->observed = result_sentence(error, "%s fell from %.2f V to %.2f V at the %s %s.",
                                            feed->name, collapse->before, collapse->lowest, place,
                                            phase_words(collapse->phase));
    else
        verdict->observed = result_sentence(
            error, "%s fell from %.2f V to %.2f V at the %s %s; the battery held %.1f V.",
            feed->name, collapse->before, collapse->lowest, place, phase_words(collapse->phase),
            collapse->battery_volts);
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
    if (collapse->swinging != CHANNEL_NONE)
        result_say(error, because,
                   "%s still showed edges between the falls, which a loose contact explains; a "
                   "probe that came off would look alike.",
                   channel_name(survey, collapse->swinging));
    if (collapse->stopped_before != CHANNEL_NONE)
        result_say(error, because, "%s had stopped before the feed fell.",
                   channel_name(survey, collapse->stopped_before));
}

static void say_reasons(const struct survey *survey, const struct collapse *collapse,
                        struct analysis_verdict *verdict, int *error) {
    struct analysis_texts *because = &verdict->because;
    double limit = feeds_lower_limit(survey->vehicle, survey->limits, collapse->dip->channel,
                                     collapse->battery_volts);
    result_say(error, because,
               "%s must hold at least %.2f V, also while cranking; it went down to "
               "%.2f V.",
               channel_name(survey, collapse->dip->channel), limit, collapse->lowest);
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

static void say_followers(const struct survey *survey, const struct collapse *collapse,
                          struct analysis_verdict *verdict, int *error) {
    const struct vehicle *vehicle = survey->vehicle;
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        const struct vehicle_sensor *sensor = &vehicle->sensors[i];
        if (sensor->feed != collapse->dip->channel || sensor->signal == CHANNEL_NONE ||
            !collapse_silences(survey, collapse->index, sensor->signal))
            continue;
        const struct dip_view *view = survey_view(survey, collapse->index, sensor->signal);
        result_say(
            error, &verdict->followers,
            "%s stopped: its last edge came %.1f ms before the feed was down, the next was "
            "due within %.1f ms.",
            channel_name(survey, sensor->signal),
            1e3 * (collapse->dip->from_until_s - view->last_edge_s),
            1e3 * (collapse_edge_due(survey, collapse->index, sensor->signal) - view->last_edge_s));
    }
}

static void say_next(const struct survey *survey, const struct collapse *collapse,
                     struct analysis_verdict *verdict, int *error) {
    const char *feed = channel_name(survey, collapse->dip->channel);
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
    say_next(survey, collapse, verdict, &error);
    return error;
}

/* ---- nothing that can be blamed ---- */

/* A dip that something else explains: said, not blamed. */
static void say_explained(const struct survey *survey, const struct collapse *collapse,
                          struct analysis_verdict *verdict, int *error) {
    const char *feed = channel_name(survey, collapse->dip->channel);
    verdict->certainty = CERTAINTY_CANNOT_TELL;
    if (collapse->battery_low)
        result_say(error, &verdict->because,
                   "%s fell, but so did the battery, to %.1f V: too little to supply it. This "
                   "version draws no verdict on the battery.",
                   feed, collapse->battery_volts);
    if (collapse->return_rose)
        result_say(error, &verdict->because,
                   "%s was low against its return because the return rose to %.2f V. This version "
                   "draws no verdict on returns.",
                   feed, collapse->return_highest);
    if (collapse->lead_suspect)
        result_say(error, &verdict->because,
                   "%s read as dead while %s went on swinging fully: the lead on %s is suspect, "
                   "not the circuit. Seat the probe again and repeat.",
                   feed, channel_name(survey, collapse->swinging), feed);
}

static void say_nothing_found(const struct survey *survey, unsigned attempt, enum outcome outcome,
                              const struct analysis *analysis, struct analysis_verdict *verdict,
                              int *error) {
    size_t failed = checks_failed(analysis, attempt);
    if (failed > 0) {
        verdict->certainty = CERTAINTY_CANNOT_TELL;
        result_say(error, &verdict->because,
                   "%zu check%s failed (see Checks). This version draws a verdict from a feed that "
                   "collapses only; read the failed ones yourself.",
                   failed, failed == 1 ? "" : "s");
    }
    if (verdict->observed == NULL && failed == 0 && verdict->certainty != CERTAINTY_CANNOT_TELL)
        verdict->observed =
            result_sentence(error, "Every watched circuit that this version judges was good.");
    bool bad_end = outcome == OUTCOME_DID_NOT_START || outcome == OUTCOME_STARTED_THEN_STOPPED;
    if (bad_end)
        result_say(error, &verdict->next,
                   "The fault was not on the circuits watched here. Move the leads to what was not "
                   "tested, fuel and ignition commands first, by rated probes or clamps only, and "
                   "wait for the next one.");
    (void)survey;
}

/* ---- what was not watched ---- */

static void say_not_tested(const struct survey *survey, struct analysis_verdict *verdict,
                           int *error) {
    static const struct {
        enum role role;
        const char *text;
    } roles[] = {
        {ROLE_BATTERY, "The battery."},
        {ROLE_STARTER_CURRENT, "The starter's current: it would show a cranking beyond doubt."},
        {ROLE_SUPPLY, "The supply of the control unit (main relay)."},
        {ROLE_GROUND, "The engine's and the control unit's grounds."},
        {ROLE_COMMAND, "Injector and coil commands."},
    };
    const struct vehicle *vehicle = survey->vehicle;
    for (size_t i = 0; i < sizeof roles / sizeof *roles; i++)
        if (vehicle_channel_by_role(vehicle, roles[i].role) == CHANNEL_NONE)
            result_say(error, &verdict->not_tested, "%s", roles[i].text);
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        const struct vehicle_sensor *sensor = &vehicle->sensors[i];
        if (sensor->feed == CHANNEL_NONE && sensor->kind == SENSOR_HALL)
            result_say(error, &verdict->not_tested, "The feed of sensor %s.", sensor->name);
        if (sensor->ret == CHANNEL_NONE)
            result_say(error, &verdict->not_tested, "The return of sensor %s.", sensor->name);
        if (sensor->signal == CHANNEL_NONE)
            result_say(error, &verdict->not_tested, "The signal of sensor %s.", sensor->name);
    }
}

int verdict_draw(const struct survey *survey, unsigned attempt, enum outcome outcome,
                 struct analysis *analysis, struct analysis_verdict *verdict) {
    int error = 0;
    struct collapse first = {0};
    *verdict = result_empty_verdict();
    verdict->certainty = CERTAINTY_LIKELY;
    for (size_t i = 0; i < survey->dip_count; i++) {
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
    if (error == 0)
        say_not_tested(survey, verdict, &error);
    return error;
}
