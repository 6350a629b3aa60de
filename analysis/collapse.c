// SPDX-License-Identifier: Apache-2.0
/*
 * collapse.c - what else could a feed's dip be?
 */
#include "collapse.h"

#include "difference.h"
#include "feeds.h"

#include <math.h>

#define KEY_OFF_SOON_S   1.0  /* a feed's capacitors keep it up so long behind the key, at most */
#define KEY_OFF_CRANK_S  0.15 /* key turned off right out of cranking */
#define BOUNCE_SOON_S    0.6
#define BOUNCE_S         0.25
#define BEFORE_ENGAGED_S 0.02 /* the engagement is dated no finer */
#define SEEN_FOR_S       0.1  /* a dip that is seen for less was hardly seen */
#define KEY_SEEN_S       0.35 /* so long behind, a key turned off would show in the phases */
#define PERIODS_OF_ONSET 3.5
#define SWINGING_EDGES   8
#define SWINGING_SHARE   0.7 /* of the pull-up: a full swing */
#define TURNING_BEFORE_S 1.0
#define FELL_AS_FAR_V                                                                              \
    1.0               /* below what the battery leaves: a starved regulator, not a lost feed       \
                       */
#define GOING_EDGES 2 /* a signal that dies may show an edge or two */

static const struct analysis_phase *phase_at(const struct survey *survey, double at_s) {
    const struct analysis_phase *phase = NULL;
    for (size_t i = 0; i < survey->window->phase_count && survey->window->phases[i].from_s <= at_s;
         i++)
        phase = &survey->window->phases[i];
    return phase;
}

/* The dip's end, or the end of what is known. */
static double end_of(const struct survey *survey, const struct departure *dip) {
    double last_s = survey->window->phases[survey->window->phase_count - 1].to_s;
    return isnan(dip->to_s) ? last_s : dip->to_s;
}

/* Does the key go off so soon behind the onset that it is the reason? */
static bool key_turns_off(const struct survey *survey, const struct departure *dip, double soon_s) {
    double end_s = end_of(survey, dip);
    for (size_t i = 0; i < survey->window->phase_count; i++) {
        const struct analysis_phase *phase = &survey->window->phases[i];
        if (phase->phase == PHASE_KEY_OFF && phase->from_s >= dip->from_s - BEFORE_ENGAGED_S &&
            phase->from_s <= dip->from_until_s + soon_s && phase->from_s <= end_s)
            return true;
    }
    return false;
}

/* A key that has just been turned on may bounce: moments in which all it switches is off again. */
static bool is_bounce(const struct survey *survey, const struct departure *dip,
                      const struct analysis_phase *key_on) {
    return dip->from_s < key_on->from_s + BOUNCE_SOON_S &&
           end_of(survey, dip) - dip->from_until_s < BOUNCE_S;
}

/* Is it the inrush of the starter: begun with it, and over as soon as that is allowed? */
static bool is_inrush(const struct survey *survey, const struct departure *dip) {
    double exempt_s = survey->limits->feed_inrush_exempt;
    for (size_t i = 0; i < survey->window->phase_count; i++) {
        const struct analysis_phase *phase = &survey->window->phases[i];
        if (phase->phase == PHASE_CRANKING && dip->from_s >= phase->from_s - BEFORE_ENGAGED_S &&
            dip->from_s <= phase->from_s + exempt_s &&
            end_of(survey, dip) - dip->from_until_s <= exempt_s)
            return true;
    }
    return false;
}

bool collapse_is_event(const struct survey *survey, const struct departure *dip) {
    const struct analysis_phase *at = phase_at(survey, dip->from_until_s);
    if (dip->from_s == dip->from_until_s)
        return false; /* it was never seen up */
    if (is_inrush(survey, dip))
        return false;
    switch (at == NULL ? PHASE_UNKNOWN : at->phase) {
    case PHASE_CRANKING:
        return !key_turns_off(survey, dip, KEY_OFF_CRANK_S);
    case PHASE_KEY_ON:
        if (is_bounce(survey, dip, at))
            return false;
        /* fall through */
    case PHASE_RUNNING:
        return !key_turns_off(survey, dip, KEY_OFF_SOON_S) &&
               (!isnan(dip->to_s) || end_of(survey, dip) - dip->from_until_s >= KEY_SEEN_S);
    default:
        return false;
    }
}

static const struct departure_view *view_of(const struct survey *survey, size_t index,
                                            size_t channel) {
    return survey_view(survey, index, channel);
}

static double mean_before(const struct departure_view *view) {
    return view->before_count > 0 ? view->before_sum / (double)view->before_count : (double)NAN;
}

static double nominal_of(const struct survey *survey, size_t channel) {
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    return of->nominal_is_battery ? survey->vehicle->system_volts : of->nominal;
}

/* --- Other explanations ----------------------------------------------------------------- */

static void weigh_battery(const struct survey *survey, struct collapse *collapse) {
    const struct vehicle *vehicle = survey->vehicle;
    const struct vehicle_channel *feed = &vehicle->channels[collapse->dip->channel];
    collapse->battery = vehicle_channel_by_role(vehicle, ROLE_BATTERY);
    collapse->battery_volts = (double)NAN;
    collapse->battery_unwatched = true;
    if (collapse->battery == CHANNEL_NONE)
        return;
    const struct departure_view *view = view_of(survey, collapse->index, collapse->battery);
    if (!isfinite(view->lowest_at_onset))
        return;
    collapse->battery_unwatched = false;
    collapse->battery_volts = view->lowest_at_onset;
    if (feed->nominal_is_battery)
        return;
    double needed = feed->nominal + survey->limits->feed_drop_out;
    double left = fmin(view->lowest_at_onset, view->lowest);
    bool as_far = collapse->lowest >= left - survey->limits->feed_drop_out - FELL_AS_FAR_V;
    collapse->battery_low =
        view->lowest_at_onset < needed && (as_far || left < survey->limits->unit_floor);
}

static void weigh_return(const struct survey *survey, struct collapse *collapse) {
    collapse->return_highest = (double)NAN;
    if (collapse->ret == CHANNEL_NONE)
        return;
    const struct departure_view *view = view_of(survey, collapse->index, collapse->ret);
    if (!isfinite(view->highest))
        return;
    collapse->return_highest = view->highest;
    double fell = collapse->before - collapse->lowest;
    double limit = feeds_lower_limit(survey->vehicle, survey->limits, collapse->dip->channel,
                                     collapse->battery_volts);
    /* against ground it is good: what it lacks against its return is the return's */
    collapse->return_rose = view->highest > fell && collapse->lowest >= limit;
}

/* Did a sensor that lives on this feed go on as if nothing were? */
static void weigh_lead(const struct survey *survey, struct collapse *collapse) {
    const struct vehicle *vehicle = survey->vehicle;
    double nominal = nominal_of(survey, collapse->dip->channel);
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        const struct vehicle_sensor *sensor = &vehicle->sensors[i];
        if (sensor->feed != collapse->dip->channel || sensor->signal == CHANNEL_NONE)
            continue;
        const struct departure_view *signal = view_of(survey, collapse->index, sensor->signal);
        double full = isnan(sensor->pull_up) ? nominal : sensor->pull_up;
        if (signal->edges_dead >= SWINGING_EDGES + GOING_EDGES * (collapse->dip->spell_count - 1) &&
            signal->highest - signal->lowest >= SWINGING_SHARE * full) {
            collapse->lead_suspect = true;
            collapse->swinging = sensor->signal;
        }
    }
}

/* --- What keeps it from being certain --------------------------------------------------- */

static double count_volts(const struct vehicle *vehicle, size_t channel) {
    const struct scale *scale = &vehicle->channels[channel].scale;
    return fabs(scale_value(scale, 1.0) - scale_value(scale, 0.0));
}

static bool any_other_feed(const struct vehicle *vehicle, size_t channel) {
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        if (i != channel &&
            (vehicle->channels[i].role == ROLE_FEED || vehicle->channels[i].role == ROLE_SUPPLY))
            return true;
    }
    return false;
}

static void weigh_record(const struct survey *survey, struct collapse *collapse) {
    const struct vehicle *vehicle = survey->vehicle;
    size_t channel = collapse->dip->channel;
    const struct vehicle_channel *feed = &vehicle->channels[channel];
    const struct reading *reading = survey_reading(survey, channel, collapse->phase);
    double period_s = reading->period_s;
    double noise = reading->levels != NULL ? levels_noise(reading->levels, &feed->scale) : 0.0;
    double error = count_volts(vehicle, channel) + noise;
    if (collapse->ret != CHANNEL_NONE)
        error += count_volts(vehicle, collapse->ret);
    const struct departure *dip = collapse->dip;
    collapse->loss_at_onset =
        period_s > 0.0 && dip->from_until_s - dip->from_s > PERIODS_OF_ONSET * period_s;
    collapse->barely = dip->depth <= error;
    collapse->clipped =
        feed->rail_high >= feed->rail_low &&
        collapse->before >= scale_value(&feed->scale, feed->rail_high) - 0.5 * error;
    collapse->ends_at_once =
        end_of(survey, dip) - dip->from_until_s < SEEN_FOR_S && isnan(dip->to_s);
    collapse->ground_unclear =
        collapse->ret == CHANNEL_NONE && vehicle->ground != GROUND_BATTERY_NEGATIVE;
    collapse->key_unclear =
        collapse->battery_unwatched &&
        vehicle_channel_by_role(vehicle, ROLE_STARTER_CURRENT) == CHANNEL_NONE &&
        vehicle_channel_by_role(vehicle, ROLE_IGNITION) == CHANNEL_NONE &&
        !any_other_feed(vehicle, channel);
}

double collapse_edge_due(const struct survey *survey, size_t index, size_t signal) {
    const struct departure_view *view = view_of(survey, index, signal);
    size_t sensor = vehicle_sensor_of_channel(survey->vehicle, signal);
    unsigned missing = sensor == CHANNEL_NONE ? 0 : survey->vehicle->sensors[sensor].wheel.missing;
    /* the longest of the last intervals; behind it a tooth gap may come */
    return view->last_edge_s + view->interval_s * (1.0 + (double)missing);
}

bool collapse_silences(const struct survey *survey, size_t index, size_t signal) {
    const struct departure_view *view = view_of(survey, index, signal);
    return !isnan(view->last_edge_s) &&
           view->edges_out <= GOING_EDGES * survey->departures[index]->spell_count;
}

/* A signal on this feed that was lost before the feed fell: then the feed did not take it along. */
static void weigh_order(const struct survey *survey, struct collapse *collapse) {
    const struct vehicle *vehicle = survey->vehicle;
    collapse->stopped_before = CHANNEL_NONE;
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        const struct vehicle_sensor *sensor = &vehicle->sensors[i];
        if (sensor->feed != collapse->dip->channel || sensor->signal == CHANNEL_NONE)
            continue;
        const struct departure_view *view = view_of(survey, collapse->index, sensor->signal);
        double due_s = collapse_edge_due(survey, collapse->index, sensor->signal);
        if (collapse->dip->from_s - view->last_edge_s < TURNING_BEFORE_S &&
            due_s < collapse->dip->from_s &&
            collapse_silences(survey, collapse->index, sensor->signal))
            collapse->stopped_before = sensor->signal;
    }
}

struct collapse collapse_judge(const struct survey *survey, size_t index) {
    const struct departure *dip = survey->departures[index];
    const struct analysis_phase *phase = phase_at(survey, dip->from_until_s);
    const struct departure_view *view = view_of(survey, index, dip->channel);
    struct collapse collapse = {
        .dip = dip,
        .index = index,
        .sensor = vehicle_sensor_of_channel(survey->vehicle, dip->channel),
        .ret = difference_return(survey->vehicle, dip->channel),
        .phase = phase == NULL ? PHASE_UNKNOWN : phase->phase,
        .swinging = CHANNEL_NONE,
        .before = mean_before(view),
        .lowest = fmin(view->lowest, view->lowest_at_onset),
    };
    collapse.event = collapse_is_event(survey, dip);
    weigh_battery(survey, &collapse);
    weigh_return(survey, &collapse);
    weigh_lead(survey, &collapse);
    weigh_record(survey, &collapse);
    weigh_order(survey, &collapse);
    return collapse;
}

bool collapse_stands(const struct collapse *collapse) {
    return collapse->event && !collapse->battery_low && !collapse->return_rose &&
           !collapse->lead_suspect;
}

enum certainty collapse_certainty(const struct collapse *collapse) {
    if (collapse->key_unclear)
        return CERTAINTY_CANNOT_TELL;
    bool doubt = collapse->battery_unwatched || collapse->loss_at_onset || collapse->barely ||
                 collapse->clipped || collapse->ends_at_once || collapse->ground_unclear ||
                 collapse->stopped_before != CHANNEL_NONE;
    return doubt ? CERTAINTY_LIKELY : CERTAINTY_SHOWN;
}
