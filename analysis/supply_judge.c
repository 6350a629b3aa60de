// SPDX-License-Identifier: Apache-2.0
/*
 * supply_judge.c - from the falls of supplies and the battery's level while cranking to candidates.
 */
#include "supply_judge.h"

#include "collapse.h"
#include "feeds.h"
#include "result.h"
#include "texts.h"
#include "words.h"

#include <math.h>
#include <stdlib.h>

/*
 * How much less a 12 V battery may hold under load when it is cold. Minimum voltage of a load test
 * by temperature, Hyundai Accent MC service manual, charging system, battery load test: 9.6 V from
 * 20 degrees up, down to 8.5 V at -18. The Chrysler floor of the limits' table is that of 20
 * degrees.
 */
static const double cold_c[] = {-18.0, -12.0, -7.0, -1.0, 4.0, 10.0, 16.0, 20.0};
static const double cold_v[] = {8.5, 8.7, 8.9, 9.1, 9.3, 9.4, 9.5, 9.6};
#define COLD_POINTS (sizeof cold_c / sizeof *cold_c)
#define FLOOR_V     9.6
#define DATED_S     0.01 /* the starter's engagement is dated no finer */
#define SLOWER_THAN 1.5  /* times the limit of a slow crank: speed has suffered from the battery */
#define SURGES      6.0  /* a cranking shorter than so many surges has no sustained level */

double supply_cranking_floor(const struct vehicle *vehicle, const struct limits *limits) {
    double at_c = vehicle->temperature_c;
    if (isnan(at_c) || at_c >= cold_c[COLD_POINTS - 1])
        return limits->cranking_floor;
    size_t i = 1;
    while (i < COLD_POINTS - 1 && at_c > cold_c[i])
        i++;
    double part = fmax(0.0, (at_c - cold_c[i - 1]) / (cold_c[i] - cold_c[i - 1]));
    double volts = cold_v[i - 1] + part * (cold_v[i] - cold_v[i - 1]);
    return limits->cranking_floor * volts / FLOOR_V;
}

/* ---- supply ---- */

static double volts_around(const struct survey *survey, size_t index, size_t channel) {
    const struct departure_view *view = survey_view(survey, index, channel);
    return view->out_count > 0 ? view->out_sum / (double)view->out_count : view->lowest_at_onset;
}

static void add_supply(const struct evidence *evidence, size_t index,
                       struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    const struct departure *departure = survey->departures[index];
    const struct departure_view *view = survey_view(survey, index, departure->channel);
    const struct scale *scale = &survey->vehicle->channels[departure->channel].scale;
    double count_v = fabs(scale_value(scale, 1.0) - scale_value(scale, 0.0));
    size_t battery = vehicle_channel_by_role(survey->vehicle, ROLE_BATTERY);
    if (!collapse_is_event(survey, departure) || departure->depth <= 2.0 * count_v)
        return;
    struct candidate *candidate =
        candidates_add(candidates, FAULT_SUPPLY_COLLAPSE, departure->channel, CHANNEL_NONE);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    const char *name = words_channel(survey, departure->channel);
    candidate->from_s = departure->from_s;
    candidate->from_until_s = departure->from_until_s;
    candidate->to_s = departure->to_s;
    candidate->extreme = fmin(view->lowest, view->lowest_at_onset);
    candidate->certainty = CERTAINTY_SHOWN;
    enum phase phase = window_phase_at(survey->window, departure->from_until_s);
    candidate->observed = result_sentence(error, TEXT_SUPPLY_FELL, name, candidate->extreme,
                                          words_phase(phase), volts_around(survey, index, battery));
    candidate->text = result_sentence(error, TEXT_SUPPLY_FELL_SHORT, name, candidate->extreme);
    if (phase == PHASE_CRANKING && !isnan(survey->window->engaged_s))
        result_say(error, &candidate->because, TEXT_LET_GO,
                   departure->from_until_s - survey->window->engaged_s);
    result_say(error, &candidate->because, TEXT_SUPPLY_MUST_HOLD, name,
               survey->limits->supply_drop);
    if (departure->times > 1)
        result_say(error, &candidate->because, TEXT_TIMES, departure->times);
    result_say(error, &candidate->alternatives, TEXT_SUPPLY_RELAY);
    result_say(error, &candidate->alternatives, TEXT_SUPPLY_FUSE);
    result_say(error, &candidate->alternatives, TEXT_PROBE);
    result_say(error, &candidate->next, TEXT_SUPPLY_NEXT);
}

/* ---- battery ---- */

/* No longer than the starter's first surge: not the sustained level. */
static bool in_surge(const struct survey *survey, const struct departure *dip) {
    double until_s = survey->window->engaged_s + survey->limits->return_surge_time;
    return dip->from_s < until_s && dip->to_s < until_s;
}

/* A feed that such a battery could not hold. */
struct starved {
    size_t channel;              /* CHANNEL_NONE: none */
    const struct departure *dip; /* NULL: it was low all the time, as far as the battery left it */
    double battery_volts, lowest;
};

/* The first fall. */
static struct starved find_fall(const struct survey *survey) {
    struct starved starved = {.channel = CHANNEL_NONE};
    for (size_t i = 0; i < survey->departure_count; i++) {
        const struct departure *dip = survey->departures[i];
        if (survey->vehicle->channels[dip->channel].role != ROLE_FEED)
            continue;
        struct collapse collapse = collapse_judge(survey, i);
        if (!collapse.event || !collapse.battery_low || collapse.return_rose ||
            collapse.lead_suspect || in_surge(survey, dip) ||
            (starved.dip != NULL && starved.dip->from_s <= dip->from_s))
            continue;
        starved = (struct starved){dip->channel, dip, collapse.battery_volts, collapse.lowest};
    }
    return starved;
}

/* Falls within the starter's first surge: said, not blamed. */
static void note_surges(const struct survey *survey, struct analysis_texts *notes, int *error) {
    for (size_t i = 0; i < survey->departure_count; i++) {
        const struct departure *dip = survey->departures[i];
        if (survey->vehicle->channels[dip->channel].role != ROLE_FEED || !in_surge(survey, dip))
            continue;
        struct collapse collapse = collapse_judge(survey, i);
        if (collapse.event && collapse.battery_low)
            result_say(error, notes, TEXT_BATTERY_EXPLAINS, words_channel(survey, dip->channel),
                       collapse.battery_volts);
    }
}

/* One that is below its nominal for most of the cranking, and as high as the battery allows. */
static struct starved find_sagging(const struct survey *survey, double battery_volts) {
    const struct vehicle *vehicle = survey->vehicle;
    double cranked_s = survey->window->released_s - survey->window->engaged_s;
    bool brief = cranked_s < SURGES * survey->limits->return_surge_time;
    for (size_t i = 0; i < vehicle->channel_count && !brief; i++) {
        const struct vehicle_channel *of = &vehicle->channels[i];
        if (of->role != ROLE_FEED || of->nominal_is_battery || isnan(of->nominal) ||
            !(battery_volts < of->nominal + survey->limits->feed_drop_out))
            continue;
        double level = survey_level(survey, i, PHASE_CRANKING, 0.5, true);
        double due = of->nominal - feeds_tolerance(vehicle, survey->limits, i);
        if (level < due && level >= battery_volts - survey->limits->feed_drop_out)
            return (struct starved){i, NULL, battery_volts, level};
    }
    return (struct starved){.channel = CHANNEL_NONE};
}

static struct starved find_starved(const struct survey *survey, double battery_volts) {
    struct starved starved = find_fall(survey);
    return starved.channel != CHANNEL_NONE ? starved : find_sagging(survey, battery_volts);
}

static void say_observed(const struct survey *survey, double volts, const struct starved *starved,
                         struct candidate *candidate, int *error) {
    double floor_v = supply_cranking_floor(survey->vehicle, survey->limits);
    double at_c = survey->vehicle->temperature_c;
    if (!(volts < floor_v)) { /* enough for a starter, not for this feed */
        candidate->observed = result_sentence(
            error, TEXT_VOLTAGE_STARVES, volts, words_channel(survey, starved->channel),
            survey->vehicle->channels[starved->channel].nominal + survey->limits->feed_drop_out);
        return;
    }
    char *cold = isnan(at_c) ? result_sentence(error, "%s", "")
                             : result_sentence(error, TEXT_VOLTAGE_LOW_COLD, at_c);
    if (cold != NULL)
        candidate->observed = result_sentence(error, TEXT_VOLTAGE_LOW, volts, floor_v, cold);
    free(cold);
}

static void say_low(const struct evidence *evidence, size_t battery, double volts,
                    const struct starved *starved, struct candidate *candidate, int *error) {
    const struct survey *survey = evidence->survey;
    say_observed(survey, volts, starved, candidate, error);
    candidate->text = result_sentence(error, TEXT_VOLTAGE_LOW_SHORT, volts);
    double rest = survey_level(survey, battery, PHASE_KEY_ON, 0.5, false);
    if (isnan(rest))
        rest = survey_level(survey, battery, PHASE_KEY_OFF, 0.5, false);
    if (!isnan(rest))
        result_say(error, &candidate->because, TEXT_VOLTAGE_REST, rest);
    if (starved->channel != CHANNEL_NONE)
        result_say(error, &candidate->because, TEXT_VOLTAGE_FEED,
                   words_channel(survey, starved->channel), starved->battery_volts,
                   starved->lowest);
    result_say(error, &candidate->alternatives, TEXT_VOLTAGE_CELL);
    result_say(error, &candidate->alternatives, TEXT_VOLTAGE_DRAW);
    result_say(error, &candidate->alternatives, TEXT_VOLTAGE_JOINT);
    result_say(error, &candidate->next, TEXT_VOLTAGE_NEXT);
}

/* Low as long as the starter turns; or, where it held else, in the moment a feed fell. */
static void place(const struct survey *survey, double volts, const struct starved *starved,
                  struct candidate *candidate) {
    candidate->standing = true;
    candidate->from_s = survey->window->engaged_s - DATED_S;
    candidate->from_until_s = survey->window->engaged_s + DATED_S;
    candidate->to_s = survey->window->released_s;
    candidate->extreme = volts;
    if (starved->dip == NULL || volts < supply_cranking_floor(survey->vehicle, survey->limits))
        return;
    candidate->standing = false;
    candidate->from_s = starved->dip->from_s;
    candidate->from_until_s = starved->dip->from_until_s;
    candidate->to_s = starved->dip->to_s;
    candidate->extreme = starved->battery_volts;
}

static void add_low(const struct evidence *evidence, size_t battery, double volts,
                    const struct starved *starved, bool slow, struct candidates *candidates) {
    bool starves = starved->channel != CHANNEL_NONE;
    struct candidate *candidate =
        candidates_add(candidates, FAULT_CRANK_VOLTAGE_LOW, battery, CHANNEL_NONE);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    double lowest = starves ? fmin(volts, starved->battery_volts) : volts;
    candidate->certainty = slow || starves ? CERTAINTY_SHOWN : CERTAINTY_CANNOT_TELL;
    place(evidence->survey, volts, starved, candidate);
    say_low(evidence, battery, lowest, starved, candidate, error);
    if (slow)
        result_say(error, &candidate->because, TEXT_VOLTAGE_SLOW, evidence->rpm);
    if (!slow && !starves)
        result_say(error, &candidate->because, TEXT_VOLTAGE_NO_SPEED);
}

/*
 * It explains a failed start only where speed or a feed suffered. `volts` is the median of all
 * cranking but its first surge.
 */
static void judge_battery(const struct evidence *evidence, size_t battery,
                          struct candidates *candidates, struct analysis_texts *notes) {
    const struct survey *survey = evidence->survey;
    double volts = survey_level(survey, battery, PHASE_CRANKING, 0.5, false);
    note_surges(survey, notes, &candidates->error);
    struct starved starved = find_starved(survey, volts);
    bool starves = starved.channel != CHANNEL_NONE;
    bool low = volts < supply_cranking_floor(survey->vehicle, survey->limits);
    bool slow = evidence->has_speed && evidence->rpm < SLOWER_THAN * survey->limits->slow_crank;
    bool failed = evidence->outcome != OUTCOME_STARTED;
    if (starves || (low && failed && (slow || !evidence->has_speed)))
        add_low(evidence, battery, volts, &starved, low && slow, candidates);
    else if (low)
        result_say(&candidates->error, notes, TEXT_BATTERY_LOW_NOTE, volts);
}

void supply_judge(const struct evidence *evidence, struct candidates *candidates,
                  struct analysis_texts *notes) {
    const struct survey *survey = evidence->survey;
    const struct vehicle *vehicle = survey->vehicle;
    for (size_t i = 0; i < survey->departure_count; i++) {
        if (vehicle->channels[survey->departures[i]->channel].role == ROLE_SUPPLY)
            add_supply(evidence, i, candidates);
    }
    size_t battery = vehicle_channel_by_role(vehicle, ROLE_BATTERY);
    if (battery != CHANNEL_NONE && !isnan(survey->window->engaged_s))
        judge_battery(evidence, battery, candidates, notes);
}
