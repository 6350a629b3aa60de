// SPDX-License-Identifier: Apache-2.0
/*
 * lead_judge.c - what cannot be true of a circuit is true of a lead.
 */
#include "lead_judge.h"

#include "collapse.h"
#include "result.h"
#include "silence.h"
#include "texts.h"
#include "words.h"

#include <math.h>
#include <stdlib.h>

#define TEN_LEAST       7.0 /* a scale wrong by ten, with what levels may be off besides */
#define TEN_MOST        13.0
#define OTHER_LEAST     1.6 /* a 24 V battery read as a 12 V one, charged or discharged */
#define OTHER_MOST      2.5
#define FLAT_SHARE      0.05 /* of what it should read: nothing is on that lead */
#define GONE_SHARE      0.2  /* of a feed's nominal: no sensor works on it */
#define FULL_SHARE      0.8  /* of a feed's nominal, or of a pull-up: it is all there */
#define BELOW_RETURN_V  0.15
#define STEADY_SHARE    0.2
#define RAN_ON_S        0.5
#define EDGES_OF_SIGNAL 8
#define COPY_R_SQUARED  0.95
#define COPY_LEAST      0.3
#define COPY_MOST       1.1

static struct candidate *add(const struct evidence *evidence, size_t channel,
                             struct candidates *candidates, char *observed) {
    const struct survey *survey = evidence->survey;
    const char *name = words_channel(survey, channel);
    struct candidate *candidate =
        candidates_have(candidates, FAULT_LEAD_SUSPECT, channel)
            ? NULL
            : candidates_add(candidates, FAULT_LEAD_SUSPECT, channel,
                             vehicle_sensor_of_channel(survey->vehicle, channel));
    if (candidate == NULL) {
        free(observed);
        return NULL;
    }
    int *error = &candidates->error;
    candidate->observed = observed;
    candidate->standing = true;
    candidate->from_s = candidate->from_until_s = evidence->window->from_s;
    candidate->text = result_sentence(error, TEXT_LEAD_SHORT, name);
    result_say(error, &candidate->alternatives, TEXT_LEAD_LOOSE);
    result_say(error, &candidate->alternatives, TEXT_LEAD_HOOKUP);
    result_say(error, &candidate->next, TEXT_LEAD_NEXT, name);
    return candidate;
}

/* The usual level of a lead with the key on, or else while the starter turned. */
static double usual(const struct survey *survey, size_t channel, double share) {
    double level = survey_level(survey, channel, PHASE_KEY_ON, share, false);
    return isnan(level) ? survey_level(survey, channel, PHASE_CRANKING, share, false) : level;
}

/* While the engine turned: then a signal swings. */
static double turning(const struct survey *survey, size_t channel, double share) {
    return survey_level(survey, channel, PHASE_CRANKING, share, false);
}

static unsigned edges_of(const struct survey *survey, size_t channel) {
    return survey_reading(survey, channel, PHASE_CRANKING)->edges;
}

/* ---- the battery ---- */

static void whole(struct candidate *candidate, int *error) {
    if (candidate == NULL)
        return;
    candidate->whole_hookup = true;
    result_say(error, &candidate->next, TEXT_LEAD_HOOKUP_NEXT);
}

static void judge_battery(const struct evidence *evidence, struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    const struct vehicle *vehicle = survey->vehicle;
    size_t battery = vehicle_channel_by_role(vehicle, ROLE_BATTERY);
    if (battery == CHANNEL_NONE)
        return;
    const char *name = words_channel(survey, battery);
    int *error = &candidates->error;
    double system = vehicle->system_volts;
    double volts = usual(survey, battery, 0.5);
    double ratio = volts / system;
    double other = ratio > 1.0 ? ratio : 1.0 / ratio;
    if (other >= TEN_LEAST && other <= TEN_MOST)
        whole(add(evidence, battery, candidates,
                  result_sentence(error, TEXT_LEAD_SCALE, name, volts,
                                  ratio > 1.0 ? "much" : "little", system)),
              error);
    else if (other >= OTHER_LEAST && other <= OTHER_MOST && (ratio > 1.0) == (system < 18.0))
        whole(add(evidence, battery, candidates,
                  result_sentence(error, TEXT_LEAD_SYSTEM, name, volts, system)),
              error);
    else if (volts < FLAT_SHARE * system && survey_turned(survey))
        add(evidence, battery, candidates, result_sentence(error, TEXT_LEAD_FLAT, name, volts));
}

/* ---- the clamp around the starter's cable ---- */

static void judge_clamp(const struct evidence *evidence, struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    size_t clamp = vehicle_channel_by_role(survey->vehicle, ROLE_STARTER_CURRENT);
    if (clamp == CHANNEL_NONE)
        return;
    double amperes = turning(survey, clamp, 0.5);
    if (amperes < -survey->limits->starter_current_on)
        add(evidence, clamp, candidates,
            result_sentence(&candidates->error, TEXT_LEAD_CLAMP, words_channel(survey, clamp),
                            amperes));
}

/* ---- a ground ---- */

/* With the key on no current flows that could lift it so far: that lead is on something else. */
static void judge_ground(const struct evidence *evidence, size_t channel,
                         struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    double volts = survey_level(survey, channel, PHASE_KEY_ON, 0.5, false);
    if (of->role == ROLE_GROUND && volts >= survey->limits->return_open)
        add(evidence, channel, candidates,
            result_sentence(&candidates->error, TEXT_LEAD_NO_GROUND, of->name, volts));
}

/* ---- a feed by itself ---- */

static void judge_scale(const struct evidence *evidence, size_t channel,
                        struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    if (of->role != ROLE_FEED || of->nominal_is_battery || isnan(of->nominal))
        return;
    double volts = usual(survey, channel, 0.5);
    double ratio = volts / of->nominal;
    if (fabs(turning(survey, channel, 0.98) - turning(survey, channel, 0.02)) >
        STEADY_SHARE * fabs(volts))
        return; /* a feed that comes and goes */
    if (turning(survey, channel, 0.98) >= FULL_SHARE * of->nominal && ratio < 1.0)
        return; /* it is all there while the starter turns */
    bool much = ratio >= TEN_LEAST && ratio <= TEN_MOST;
    bool little = 1.0 / ratio >= TEN_LEAST && 1.0 / ratio <= TEN_MOST;
    if (much || little)
        add(evidence, channel, candidates,
            result_sentence(&candidates->error, TEXT_LEAD_FEED_SCALE, of->name, volts,
                            much ? "much" : "little", of->nominal));
}

/* ---- a sensor's leads against each other ---- */

static double nominal_of(const struct survey *survey, const struct vehicle_sensor *sensor) {
    const struct vehicle_channel *feed = &survey->vehicle->channels[sensor->feed];
    return feed->nominal_is_battery ? survey->vehicle->system_volts : feed->nominal;
}

static void add_swapped(const struct evidence *evidence, size_t one, size_t other,
                        struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    add(evidence, one, candidates,
        result_sentence(&candidates->error, TEXT_LEAD_SWAPPED, words_channel(survey, one),
                        words_channel(survey, other)));
}

/* Does that lead swing between low and full, as only a signal does? */
static bool swings(const struct survey *survey, size_t channel, double full) {
    return turning(survey, channel, 0.95) >= FULL_SHARE * full &&
           turning(survey, channel, 0.05) <= GONE_SHARE * full;
}

static bool stays(const struct survey *survey, size_t channel, double least, double most) {
    return turning(survey, channel, 0.02) >= least && turning(survey, channel, 0.98) <= most;
}

static void judge_swapped(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                          struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    if (sensor->feed == CHANNEL_NONE)
        return;
    double full = nominal_of(survey, sensor);
    double gone = GONE_SHARE * full;
    bool has_return = sensor->ret != CHANNEL_NONE;
    bool has_signal = sensor->signal != CHANNEL_NONE;
    if (has_return && usual(survey, sensor->feed, 0.98) < gone &&
        usual(survey, sensor->ret, 0.02) >= FULL_SHARE * full)
        add_swapped(evidence, sensor->feed, sensor->ret, candidates);
    else if (has_signal && swings(survey, sensor->feed, full) &&
             stays(survey, sensor->signal, FULL_SHARE * full, HUGE_VAL))
        add_swapped(evidence, sensor->feed, sensor->signal, candidates);
    else if (has_signal && has_return && swings(survey, sensor->ret, full) &&
             stays(survey, sensor->signal, -HUGE_VAL, gone))
        add_swapped(evidence, sensor->ret, sensor->signal, candidates);
}

/* A return that was quiet when the starter engaged, and rose since. */
static bool rises_later(const struct survey *survey, size_t ret) {
    for (size_t i = 0; i < survey->departure_count; i++) {
        if (survey->departures[i]->channel == ret &&
            survey->departures[i]->from_s >
                survey->window->engaged_s + survey->limits->return_surge_time)
            return true;
    }
    return false;
}

/* A Hall output cannot pull below the return it pulls to. */
static void judge_below_return(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                               struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    if (sensor->ret == CHANNEL_NONE || sensor->signal == CHANNEL_NONE ||
        sensor->kind != SENSOR_HALL || rises_later(survey, sensor->ret) ||
        edges_of(survey, sensor->signal) < EDGES_OF_SIGNAL)
        return;
    const struct reading *reading = survey_reading(survey, sensor->signal, PHASE_CRANKING);
    const struct scale *scale = &survey->vehicle->channels[sensor->signal].scale;
    double low;
    double high;
    if (reading->levels == NULL || !levels_states(reading->levels, scale, &low, &high))
        return;
    double below = turning(survey, sensor->ret, 0.05) - low; /* all the time */
    if (below > BELOW_RETURN_V)
        add(evidence, sensor->ret, candidates,
            result_sentence(&candidates->error, TEXT_LEAD_BELOW_RETURN,
                            words_channel(survey, sensor->signal), below,
                            words_phase(PHASE_CRANKING)));
}

/* A feed that reads nothing all the time while its sensor works. */
static void judge_dead_feed(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                            struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    if (sensor->feed == CHANNEL_NONE || sensor->signal == CHANNEL_NONE)
        return;
    double full = nominal_of(survey, sensor);
    if (edges_of(survey, sensor->signal) >= EDGES_OF_SIGNAL &&
        turning(survey, sensor->feed, 0.98) < GONE_SHARE * full)
        add(evidence, sensor->feed, candidates,
            result_sentence(
                &candidates->error, TEXT_LEAD_DEAD_FEED, words_channel(survey, sensor->feed),
                words_channel(survey, sensor->signal), words_channel(survey, sensor->feed)));
}

/* It came off between its last edge and the next. */
static void place_behind_last(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                              struct candidate *candidate) {
    const struct pulses *pulses = evidence->pulses[sensor->signal];
    size_t count;
    const struct pulse *list = pulses_list(pulses, &count);
    if (count < 2)
        return;
    candidate->standing = false;
    candidate->from_s = list[count - 1].at_s;
    candidate->from_until_s = silence_due_s(
        pulses, evidence->tracks[sensor - evidence->window->vehicle->sensors], sensor, count - 1);
}

/* A crank signal that shows nothing, although the engine started and runs. */
static void judge_ran_on(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                         struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    if (sensor->signal == CHANNEL_NONE || sensor->shaft != SHAFT_CRANK ||
        evidence->outcome != OUTCOME_STARTED)
        return;
    const struct reading *running = survey_reading(survey, sensor->signal, PHASE_RUNNING);
    if (running->levels == NULL || running->time_s < RAN_ON_S || running->edges > 0)
        return;
    struct candidate *candidate = add(evidence, sensor->signal, candidates,
                                      result_sentence(&candidates->error, TEXT_LEAD_RAN_ON,
                                                      words_channel(survey, sensor->signal)));
    if (candidate != NULL)
        place_behind_last(evidence, sensor, candidate);
}

/* Falls of a feed that its sensor knew nothing of. */
static void judge_falls(const struct evidence *evidence, struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    for (size_t i = 0; i < survey->departure_count; i++) {
        if (survey->vehicle->channels[survey->departures[i]->channel].role != ROLE_FEED)
            continue;
        struct collapse collapse = collapse_judge(survey, i);
        if (!collapse.event || !collapse.lead_suspect)
            continue;
        const char *feed = words_channel(survey, collapse.dip->channel);
        struct candidate *candidate =
            add(evidence, collapse.dip->channel, candidates,
                result_sentence(&candidates->error, TEXT_LEAD_DEAD_FEED, feed,
                                words_channel(survey, collapse.swinging), feed));
        if (candidate == NULL)
            continue;
        candidate->standing = false;
        candidate->from_s = collapse.dip->from_s;
        candidate->from_until_s = collapse.dip->from_until_s;
        candidate->to_s = collapse.dip->to_s;
        candidate->extreme = collapse.lowest;
    }
}

/* ---- an open input shows the one that was converted before it ---- */

static void judge_copy(const struct evidence *evidence, size_t channel,
                       struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    size_t neighbour;
    double share;
    double r_squared;
    if (!survey_copies(survey, channel, &neighbour, &share, &r_squared) ||
        r_squared < COPY_R_SQUARED || share < COPY_LEAST || share > COPY_MOST)
        return;
    add(evidence, channel, candidates,
        result_sentence(&candidates->error, TEXT_LEAD_COPIES, words_channel(survey, channel),
                        words_channel(survey, neighbour)));
}

void lead_judge(const struct evidence *evidence, struct candidates *candidates) {
    const struct vehicle *vehicle = evidence->survey->vehicle;
    judge_battery(evidence, candidates);
    judge_clamp(evidence, candidates);
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        judge_ground(evidence, i, candidates);
        judge_scale(evidence, i, candidates);
        judge_copy(evidence, i, candidates);
    }
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        judge_swapped(evidence, &vehicle->sensors[i], candidates);
        judge_below_return(evidence, &vehicle->sensors[i], candidates);
        judge_dead_feed(evidence, &vehicle->sensors[i], candidates);
        judge_ran_on(evidence, &vehicle->sensors[i], candidates);
    }
    judge_falls(evidence, candidates);
}
