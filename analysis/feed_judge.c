// SPDX-License-Identifier: Apache-2.0
/*
 * feed_judge.c - from the falls and the levels of the feeds to candidates, and what is said of
 * them.
 */
#include "feed_judge.h"

#include "collapse.h"
#include "feeds.h"
#include "result.h"
#include "texts.h"
#include "words.h"

#include <math.h>
#include <stdlib.h>

#define FOLLOWS_SLOPE  0.2  /* volts of the feed for a volt of the battery */
#define FOLLOWS_SHARE  0.5  /* of its movement that the battery's explains: r squared */
#define STEADY_V       0.1  /* what a steady level moves from phase to phase, for a 5 V feed */
#define DEAD_SHARE     0.3  /* of its nominal: below, it is no level but gone */
#define PHASE_DATED_S  0.01 /* a phase is dated no finer */
#define BARELY_S       0.02 /* beyond the limit by no more than an error, and for no longer */
#define BELOW_STEADY_V 0.5  /* deeper than the steady level by so much is a fall of its own */

/* ---- steadily wrong ---- */

struct steady {
    bool off;
    double level, limit; /* the level, and how far it may be from nominal */
    bool both;           /* seen with the key on and while the starter turned */
    bool dead;           /* it was never there at all */
    enum phase phase;
};

static bool is_off(const struct survey *survey, size_t channel, double level) {
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    double tolerance = feeds_tolerance(survey->vehicle, survey->limits, channel);
    double count_v = fabs(scale_value(&of->scale, 1.0) - scale_value(&of->scale, 0.0));
    return fabs(level - of->nominal) > tolerance + 2.0 * count_v;
}

/* Is what is missing no more than what the battery leaves the regulator? */
static bool battery_excuses(const struct survey *survey, size_t channel, enum phase phase,
                            double level) {
    size_t battery = vehicle_channel_by_role(survey->vehicle, ROLE_BATTERY);
    if (battery == CHANNEL_NONE)
        return false;
    double volts = survey_level(survey, battery, phase, 0.5, false);
    return level >= feeds_lower_limit(survey->vehicle, survey->limits, channel, volts) &&
           level < survey->vehicle->channels[channel].nominal;
}

/* Was it up in this window, and fell? */
static bool falls(const struct survey *survey, size_t channel) {
    for (size_t i = 0; i < survey->departure_count; i++) {
        if (survey->departures[i]->channel == channel &&
            collapse_is_event(survey, survey->departures[i]))
            return true;
    }
    return false;
}

static struct steady find_steady(const struct survey *survey, size_t channel) {
    static const enum phase phases[] = {PHASE_KEY_ON, PHASE_CRANKING, PHASE_RUNNING};
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    struct steady steady = {.limit = feeds_tolerance(survey->vehicle, survey->limits, channel)};
    double lowest = HUGE_VAL;
    double highest = -HUGE_VAL;
    unsigned seen = 0;
    for (size_t i = 0; i < sizeof phases / sizeof *phases; i++) {
        double level = survey_level(survey, channel, phases[i], 0.5, true);
        if (isnan(level))
            continue;
        double absolute = survey_level(survey, channel, phases[i], 0.5, false);
        if (!is_off(survey, channel, level) || !is_off(survey, channel, absolute) ||
            battery_excuses(survey, channel, phases[i], level))
            return steady;
        if (seen++ == 0)
            steady.phase = phases[i];
        steady.level = level;
        lowest = fmin(lowest, level);
        highest = fmax(highest, level);
    }
    steady.both = seen > 1;
    steady.dead = seen > 0 && highest < DEAD_SHARE * of->nominal;
    steady.off = seen > 0 && highest - lowest <= STEADY_V * of->nominal / 5.0 &&
                 !(steady.dead && falls(survey, channel));
    return steady;
}

static double first_seen(const struct survey *survey, enum phase phase) {
    const struct window *window = survey->window;
    for (size_t i = 0; i < window->phase_count; i++) {
        if (window->phases[i].phase == phase && window->phases[i].to_s > window->from_s)
            return fmax(window->phases[i].from_s, window->from_s);
    }
    return window->from_s;
}

/* Does a sensor on this feed have a signal that is watched, and that shows no edge? */
static bool silences(const struct survey *survey, size_t channel) {
    const struct vehicle *vehicle = survey->vehicle;
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        const struct vehicle_sensor *sensor = &vehicle->sensors[i];
        if (sensor->feed == channel && sensor->signal != CHANNEL_NONE &&
            survey_reading(survey, sensor->signal, PHASE_CRANKING)->edges == 0)
            return true;
    }
    return false;
}

static void say_dead(const struct survey *survey, size_t channel, const struct steady *steady,
                     struct candidate *candidate, int *error) {
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    bool silent = silences(survey, channel);
    candidate->certainty = silent ? CERTAINTY_SHOWN : CERTAINTY_LIKELY;
    candidate->observed = result_sentence(error, TEXT_FEED_DEAD, of->name, steady->level,
                                          words_place(of->measured_at), of->nominal);
    if (silent)
        result_say(error, &candidate->because, TEXT_FEED_DEAD_WORKS);
    result_say(error, &candidate->alternatives, TEXT_FEED_WIRE, of->name);
    result_say(error, &candidate->alternatives, TEXT_FEED_SOURCE, of->name);
    result_say(error, &candidate->alternatives, TEXT_FEED_SHORT, of->name);
    result_say(error, &candidate->alternatives, TEXT_PROBE);
}

static void say_off(const struct survey *survey, size_t channel, const struct steady *steady,
                    struct candidate *candidate, int *error) {
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    bool clipped = of->rail_low <= of->rail_high &&
                   steady->level >= scale_value(&of->scale, of->rail_high) - 1e-9;
    candidate->certainty = clipped ? CERTAINTY_CANNOT_TELL : CERTAINTY_SHOWN;
    candidate->observed = result_sentence(error, TEXT_FEED_OFF, of->name, steady->level,
                                          words_place(of->measured_at), of->nominal, steady->limit);
    result_say(error, &candidate->alternatives, TEXT_FEED_OFF_LOAD, of->name);
    result_say(error, &candidate->alternatives, TEXT_FEED_OFF_UNIT, of->name);
    result_say(error, &candidate->alternatives, TEXT_FEED_OFF_NOMINAL, of->name);
}

static void add_steady(const struct evidence *evidence, size_t channel, const struct steady *steady,
                       struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    struct candidate *candidate =
        candidates_add(candidates, FAULT_FEED_OFF_LEVEL, channel,
                       vehicle_sensor_of_channel(survey->vehicle, channel));
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    candidate->standing = true;
    double seen_s = first_seen(survey, steady->phase);
    candidate->from_s = fmax(seen_s - PHASE_DATED_S, survey->window->from_s);
    if (steady->dead && steady->phase != PHASE_KEY_ON) /* nothing told when the key was turned on */
        candidate->from_s = survey->window->from_s;
    candidate->from_until_s = seen_s + PHASE_DATED_S;
    candidate->extreme = steady->level;
    candidate->text = result_sentence(error, TEXT_FEED_OFF_SHORT, of->name, steady->level);
    if (steady->dead)
        say_dead(survey, channel, steady, candidate, error);
    else
        say_off(survey, channel, steady, candidate, error);
    if (steady->both)
        result_say(error, &candidate->because, TEXT_FEED_OFF_STEADY);
    result_say(error, &candidate->next, TEXT_FEED_OFF_NEXT, of->name);
}

/* ---- fallen ---- */

static void say_observed(const struct survey *survey, const struct collapse *collapse,
                         struct candidate *candidate, int *error) {
    const struct departure *dip = collapse->dip;
    const struct vehicle_channel *feed = &survey->vehicle->channels[dip->channel];
    const char *place = words_place(feed->measured_at);
    const char *when = words_phase(collapse->phase);
    char *battery = isnan(collapse->battery_volts)
                        ? result_sentence(error, TEXT_BATTERY_NOT_WATCHED)
                        : result_sentence(error, TEXT_BATTERY_HELD, collapse->battery_volts);
    if (battery != NULL && isnan(dip->to_s))
        candidate->observed =
            result_sentence(error, TEXT_FEED_FELL_TO_END, feed->name, collapse->before,
                            collapse->lowest, place, when, battery);
    else if (battery != NULL)
        candidate->observed =
            result_sentence(error, TEXT_FEED_FELL_FOR, feed->name, collapse->before,
                            collapse->lowest, place, when, dip->to_s - dip->from_until_s, battery);
    free(battery);
}

static void say_doubts(const struct survey *survey, const struct collapse *collapse,
                       struct analysis_texts *because, int *error) {
    if (collapse->battery_unwatched)
        result_say(error, because, TEXT_BATTERY_UNKNOWN);
    if (collapse->key_unclear)
        result_say(error, because, TEXT_KEY_UNCLEAR);
    if (collapse->loss_at_onset)
        result_say(error, because, TEXT_LOSS_AT_ONSET);
    if (collapse->barely)
        result_say(error, because, TEXT_BARELY);
    if (collapse->clipped)
        result_say(error, because, TEXT_CLIPPED);
    if (collapse->ends_at_once)
        result_say(error, because, TEXT_ENDS_AT_ONCE);
    if (collapse->ground_unclear)
        result_say(error, because, TEXT_GROUND_UNCLEAR);
    if (collapse->stopped_before != CHANNEL_NONE)
        result_say(error, because, TEXT_STOPPED_BEFORE,
                   words_channel(survey, collapse->stopped_before));
}

static void say_reasons(const struct survey *survey, const struct collapse *collapse,
                        struct analysis_texts *because, int *error) {
    double engaged_s = survey->window->engaged_s;
    double limit = feeds_lower_limit(survey->vehicle, survey->limits, collapse->dip->channel,
                                     collapse->battery_volts);
    result_say(error, because, TEXT_FEED_MUST_HOLD, words_channel(survey, collapse->dip->channel),
               limit);
    if (collapse->phase == PHASE_CRANKING && !isnan(engaged_s))
        result_say(error, because, TEXT_LET_GO, collapse->dip->from_until_s - engaged_s);
    if (collapse->dip->times > 1)
        result_say(error, because, TEXT_TIMES, collapse->dip->times);
    if (!isnan(collapse->battery_volts))
        result_say(error, because, TEXT_BATTERY_ENOUGH, collapse->battery_volts);
    if (!isnan(collapse->return_highest))
        result_say(error, because, TEXT_RETURN_STAYED, collapse->return_highest);
    say_doubts(survey, collapse, because, error);
}

/* The sensors that live on this feed and fell silent with it. */
static void say_silenced(const struct survey *survey, const struct collapse *collapse,
                         struct analysis_texts *followers, int *error) {
    const struct vehicle *vehicle = survey->vehicle;
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        const struct vehicle_sensor *sensor = &vehicle->sensors[i];
        if (sensor->feed != collapse->dip->channel || sensor->signal == CHANNEL_NONE ||
            !collapse_silences(survey, collapse->index, sensor->signal))
            continue;
        const struct departure_view *view = survey_view(survey, collapse->index, sensor->signal);
        double due_s = collapse_edge_due(survey, collapse->index, sensor->signal);
        const char *name = words_channel(survey, sensor->signal);
        double before_ms = 1e3 * (collapse->dip->from_until_s - view->last_edge_s);
        if (isnan(due_s)) /* too few edges came to tell */
            result_say(error, followers, TEXT_SIGNAL_STOPPED_SOME, name, before_ms);
        else
            result_say(error, followers, TEXT_SIGNAL_STOPPED, name, before_ms,
                       1e3 * (due_s - view->last_edge_s));
    }
}

static void say_next(const char *feed, struct candidate *candidate, int *error) {
    result_say(error, &candidate->alternatives, TEXT_FEED_WIRE, feed);
    result_say(error, &candidate->alternatives, TEXT_FEED_SOURCE, feed);
    result_say(error, &candidate->alternatives, TEXT_FEED_SHORT, feed);
    result_say(error, &candidate->alternatives, TEXT_PROBE);
    result_say(error, &candidate->next, TEXT_FEED_SECOND_PROBE, feed);
    result_say(error, &candidate->next, TEXT_FEED_WIGGLE, feed);
}

static struct candidate *add_fall(const struct evidence *evidence, const struct collapse *collapse,
                                  enum fault fault, struct candidates *candidates) {
    const struct departure *dip = collapse->dip;
    struct candidate *candidate = candidates_add(candidates, fault, dip->channel, collapse->sensor);
    if (candidate == NULL)
        return NULL;
    candidate->from_s = dip->from_s;
    candidate->from_until_s = dip->from_until_s;
    candidate->to_s = dip->to_s;
    candidate->extreme = collapse->lowest;
    candidate->certainty = collapse_certainty(collapse);
    say_silenced(evidence->survey, collapse, &candidate->followers, &candidates->error);
    return candidate;
}

static void add_collapse(const struct evidence *evidence, const struct collapse *collapse,
                         struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    struct candidate *candidate = add_fall(evidence, collapse, FAULT_FEED_COLLAPSE, candidates);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    const char *feed = words_channel(survey, collapse->dip->channel);
    candidate->text = result_sentence(error, TEXT_FEED_FELL, feed, collapse->before,
                                      collapse->lowest, words_phase(collapse->phase));
    say_observed(survey, collapse, candidate, error);
    say_reasons(survey, collapse, &candidate->because, error);
    say_next(feed, candidate, error);
}

/* ---- with the battery ---- */

static bool follows_battery(const struct survey *survey, const struct collapse *collapse,
                            double *slope) {
    double r_squared;
    if (survey->vehicle->channels[collapse->dip->channel].nominal_is_battery)
        return false; /* it follows by design, down to its limit */
    return collapse->phase == PHASE_CRANKING && !collapse->battery_unwatched &&
           collapse->lowest > DEAD_SHARE * collapse->before &&
           survey_follows(survey, collapse->dip->channel, slope, &r_squared) &&
           *slope >= FOLLOWS_SLOPE && r_squared >= FOLLOWS_SHARE;
}

static void add_follows(const struct evidence *evidence, const struct collapse *collapse,
                        double slope, struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    struct candidate *candidate =
        add_fall(evidence, collapse, FAULT_FEED_FOLLOWS_BATTERY, candidates);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    const char *feed = words_channel(survey, collapse->dip->channel);
    candidate->observed =
        result_sentence(error, TEXT_FEED_FOLLOWS, feed, collapse->lowest, collapse->battery_volts);
    candidate->text = result_sentence(error, TEXT_FEED_FOLLOWS_SHORT, feed, collapse->lowest);
    result_say(error, &candidate->because, TEXT_FEED_FOLLOWS_WHY, feed, slope,
               survey->limits->feed_drop_out);
    say_doubts(survey, collapse, &candidate->because, error);
    result_say(error, &candidate->alternatives, TEXT_FEED_FOLLOWS_UNIT);
    result_say(error, &candidate->alternatives, TEXT_FEED_FOLLOWS_CABLE);
    result_say(error, &candidate->next, TEXT_FEED_FOLLOWS_NEXT, feed);
}

static void judge_fall(const struct evidence *evidence, size_t index, const struct steady *steady,
                       struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    struct collapse collapse = collapse_judge(survey, index);
    double slope;
    if (!collapse.event || (steady->off && collapse.lowest > steady->level - BELOW_STEADY_V))
        return;
    if (collapse.barely && collapse.dip->to_s - collapse.dip->from_until_s < BARELY_S)
        return; /* the measurement's own noise */
    if (!collapse_stands(&collapse))
        return; /* supply_judge.h, return_judge.h and lead_judge.h say what it was */
    if (follows_battery(survey, &collapse, &slope))
        add_follows(evidence, &collapse, slope, candidates);
    else
        add_collapse(evidence, &collapse, candidates);
}

void feed_judge(const struct evidence *evidence, struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    const struct vehicle *vehicle = survey->vehicle;
    for (size_t channel = 0; channel < vehicle->channel_count; channel++) {
        const struct vehicle_channel *of = &vehicle->channels[channel];
        if (of->role != ROLE_FEED)
            continue;
        struct steady steady = {0};
        if (!of->nominal_is_battery && !isnan(of->nominal))
            steady = find_steady(survey, channel);
        if (steady.off)
            add_steady(evidence, channel, &steady, candidates);
        for (size_t i = 0; i < survey->departure_count; i++) {
            if (survey->departures[i]->channel == channel)
                judge_fall(evidence, i, &steady, candidates);
        }
    }
}
