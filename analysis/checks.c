// SPDX-License-Identifier: Apache-2.0
/*
 * checks.c - levels of each lead in each phase, and what they must be.
 */
#include "checks.h"

#include "collapse.h"
#include "difference.h"
#include "feeds.h"
#include "result.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define FEWEST_EDGES  4
#define AVERAGE_SHARE 0.05 /* of the swing: slow edges and ringing shift an average a little */

static double volts_per_count(const struct scale *scale) {
    return fabs(scale_value(scale, 1.0) - scale_value(scale, 0.0));
}

static bool enough_samples(const struct survey *survey, const struct reading *reading) {
    double shortest_s = survey_shortest_state(reading);
    return isnan(shortest_s) || shortest_s >= survey->limits->samples_per_state * reading->period_s;
}

/* All samples of a phase, those of a starter's first surge too; false: there are none. */
static bool all_levels(const struct reading *reading, struct levels *all) {
    levels_init(all);
    if (reading->surge != NULL)
        levels_merge(all, reading->surge);
    if (reading->levels != NULL)
        levels_merge(all, reading->levels);
    return all->samples > 0;
}

static int add_level(const struct survey *survey, size_t channel, enum phase phase,
                     unsigned attempt, struct analysis *analysis) {
    const struct reading *reading = survey_reading(survey, channel, phase);
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    struct levels all;
    if (!all_levels(reading, &all))
        return 0;
    struct analysis_level *level = result_add_level(analysis);
    if (level == NULL)
        return -ENOMEM;
    double a = scale_value(&of->scale, all.lowest);
    double b = scale_value(&of->scale, all.highest);
    *level = (struct analysis_level){
        .channel = channel,
        .phase = phase,
        .attempt = attempt,
        .lowest = fmin(a, b),
        .highest = fmax(a, b),
        .average = levels_average(&all, &of->scale),
        .low = (double)NAN,
        .high = (double)NAN,
        .duty = (double)NAN,
        .edges_per_s = (double)NAN,
    };
    if (of->role != ROLE_SIGNAL && of->role != ROLE_COMMAND)
        return 0;
    if (enough_samples(survey, reading) && reading->time_s > 0.0)
        level->edges_per_s = reading->edges / reading->time_s;
    if (reading->edges >= 2 && levels_states(&all, &of->scale, &level->low, &level->high))
        level->duty =
            levels_share_above(&all, &of->scale, levels_reference(level->low, level->high, 50.0));
    return 0;
}

/* Adds a check and judges it; `error` is the measurement's own, in the same unit. */
static struct analysis_check *add_check(struct analysis *analysis,
                                        const struct analysis_check *check, double error) {
    struct analysis_check *added = result_add_check(analysis);
    if (added == NULL)
        return NULL;
    *added = *check;
    double below = isnan(check->limit_low) ? -HUGE_VAL : check->limit_low - check->measured;
    double above = isnan(check->limit_high) ? -HUGE_VAL : check->measured - check->limit_high;
    double beyond = fmax(below, above);
    added->result = beyond > error ? CHECK_FAIL : beyond > -error ? CHECK_TOO_CLOSE : CHECK_PASS;
    int no_memory = 0;
    if (added->result == CHECK_TOO_CLOSE)
        added->why = result_sentence(&no_memory,
                                     "Nearer to the limit than the measurement may be off by "
                                     "(%.3f %s).",
                                     error, added->unit);
    return no_memory == 0 ? added : NULL;
}

/* What a measured level may be off by: a count and the noise, of the return too where it is used.
 */
static double error_of(const struct survey *survey, size_t channel, const struct reading *reading) {
    const struct vehicle *vehicle = survey->vehicle;
    const struct scale *scale = &vehicle->channels[channel].scale;
    double error = volts_per_count(scale);
    bool swings = vehicle->channels[channel].role == ROLE_SIGNAL;
    if (!swings) /* of a signal, steps from sample to sample are edges, not noise */
        error += levels_noise(reading->levels, scale);
    if (reading->judged != NULL)
        error += volts_per_count(&vehicle->channels[difference_return(vehicle, channel)].scale);
    return error;
}

static struct analysis_check new_check(const struct survey *survey, const char *name,
                                       size_t channel, enum phase phase, unsigned attempt) {
    return (struct analysis_check){
        .name = name,
        .channel = channel,
        .sensor = vehicle_sensor_of_channel(survey->vehicle, channel),
        .attempt = attempt,
        .phase = phase,
        .measured = (double)NAN,
        .limit_low = (double)NAN,
        .limit_high = (double)NAN,
        .unit = survey->vehicle->channels[channel].unit,
    };
}

/* The battery's usual level in that phase; NAN: not watched. */
static double battery_level(const struct survey *survey, enum phase phase) {
    size_t battery = vehicle_channel_by_role(survey->vehicle, ROLE_BATTERY);
    if (battery == CHANNEL_NONE)
        return (double)NAN;
    const struct levels *levels = survey_reading(survey, battery, phase)->levels;
    if (levels == NULL)
        return (double)NAN;
    return levels_percentile(levels, &survey->vehicle->channels[battery].scale, 0.5);
}

/* The lowest level of an event in that phase, or NAN: the feed did not fall. */
static double fell_to(const struct survey *survey, size_t channel, enum phase phase) {
    double lowest = (double)NAN;
    for (size_t i = 0; i < survey->departure_count; i++) {
        if (survey->departures[i]->channel != channel)
            continue;
        struct collapse collapse = collapse_judge(survey, i);
        if (collapse.event && !collapse.return_rose && collapse.phase == phase)
            lowest = fmin(lowest, collapse.lowest);
    }
    return lowest;
}

/* The feed's usual level in that phase, against its return; or how far it fell, where it did. */
static int check_feed(const struct survey *survey, size_t channel, enum phase phase,
                      unsigned attempt, struct analysis *analysis) {
    const struct vehicle *vehicle = survey->vehicle;
    const struct vehicle_channel *of = &vehicle->channels[channel];
    const struct reading *reading = survey_reading(survey, channel, phase);
    double battery = battery_level(survey, phase);
    if (of->nominal_is_battery ? isnan(battery) : isnan(of->nominal))
        return 0;
    const struct scale difference = difference_scale();
    bool judged = reading->judged != NULL;
    struct analysis_check check = new_check(survey, "feed level", channel, phase, attempt);
    check.measured = fell_to(survey, channel, phase);
    if (isnan(check.measured))
        check.measured = levels_percentile(judged ? reading->judged : reading->levels,
                                           judged ? &difference : &of->scale, 0.5);
    check.limit_low = feeds_lower_limit(vehicle, survey->limits, channel, battery);
    check.source = limits_source(offsetof(struct limits, feed_drop_out));
    if (!of->nominal_is_battery) {
        check.limit_high = of->nominal + feeds_tolerance(vehicle, survey->limits, channel);
        check.source = limits_source(offsetof(struct limits, feed_tolerance));
    }
    struct analysis_check *added = add_check(analysis, &check, error_of(survey, channel, reading));
    if (added == NULL)
        return -ENOMEM;
    double rail = scale_value(&of->scale, of->rail_high);
    int error = 0;
    if (of->rail_low <= of->rail_high && added->result != CHECK_FAIL &&
        levels_percentile(reading->levels, &of->scale, 0.5) >= rail) {
        added->result = CHECK_NOT_POSSIBLE;
        added->why = result_sentence(&error,
                                     "The input stood at its upper end, %.2f V: the feed may be "
                                     "there or anywhere above.",
                                     rail);
    }
    return error;
}

/* A return's level counts from the battery's negative post, and below 0 V many inputs are blind. */
static int doubt_return(const struct survey *survey, const struct reading *reading,
                        struct analysis_check *added) {
    const struct vehicle_channel *of = &survey->vehicle->channels[added->channel];
    int error = 0;
    if (survey->vehicle->ground != GROUND_BATTERY_NEGATIVE) {
        added->result = CHECK_NOT_POSSIBLE;
        free(added->why);
        added->why = result_sentence(&error, "The board's ground is not at the battery's negative "
                                             "post, so a return's level means little by itself.");
        return error;
    }
    double usual = levels_percentile(reading->levels, &of->scale, 0.5);
    bool at_rail =
        of->rail_low <= of->rail_high && usual <= scale_value(&of->scale, of->rail_low) + 1e-12;
    if (at_rail && added->result != CHECK_FAIL) {
        added->result = CHECK_NOT_POSSIBLE;
        free(added->why);
        added->why = result_sentence(&error, "The input stood at its lower end: that reads as \"at "
                                             "or below 0 V\", and a return cannot be called good "
                                             "by it.");
    }
    return error;
}

static int check_return(const struct survey *survey, size_t channel, enum phase phase,
                        unsigned attempt, struct analysis *analysis) {
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    const struct reading *reading = survey_reading(survey, channel, phase);
    struct analysis_check check = new_check(survey, "return level", channel, phase, attempt);
    check.measured = levels_percentile(reading->levels, &of->scale, 0.95);
    check.limit_high = survey->limits->return_level;
    check.source = limits_source(offsetof(struct limits, return_level));
    struct analysis_check *added = add_check(analysis, &check, error_of(survey, channel, reading));
    return added == NULL ? -ENOMEM : doubt_return(survey, reading, added);
}

/* In the starter's first surge more is allowed, and a part of that is worth a note. */
static int check_return_surge(const struct survey *survey, size_t channel, unsigned attempt,
                              struct analysis *analysis) {
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    const struct reading *reading = survey_reading(survey, channel, PHASE_CRANKING);
    if (reading->surge == NULL || survey->vehicle->ground != GROUND_BATTERY_NEGATIVE)
        return 0;
    struct analysis_check check =
        new_check(survey, "return, first surge", channel, PHASE_CRANKING, attempt);
    check.measured = levels_percentile(reading->surge, &of->scale, 0.95);
    check.limit_high = survey->limits->return_surge_level;
    check.source = limits_source(offsetof(struct limits, return_surge_level));
    struct analysis_check *added = add_check(analysis, &check, volts_per_count(&of->scale));
    if (added == NULL)
        return -ENOMEM;
    int error = 0;
    if (added->result == CHECK_PASS && check.measured >= survey->limits->return_surge_note) {
        added->result = CHECK_TOO_CLOSE;
        added->why =
            result_sentence(&error, "Allowed for a moment, but from %.2f V up worth a note.",
                            survey->limits->return_surge_note);
    }
    return error;
}

/* The sustained level, not the minimum of the inrush. */
static int check_battery(const struct survey *survey, size_t channel, unsigned attempt,
                         struct analysis *analysis) {
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    const struct reading *reading = survey_reading(survey, channel, PHASE_CRANKING);
    struct analysis_check check =
        new_check(survey, "cranking voltage", channel, PHASE_CRANKING, attempt);
    check.measured = levels_average(reading->levels, &of->scale);
    check.limit_low = survey->limits->cranking_floor;
    check.source = limits_source(offsetof(struct limits, cranking_floor));
    return add_check(analysis, &check, volts_per_count(&of->scale)) ? 0 : -ENOMEM;
}

static int check_too_slow(const struct survey *survey, const struct analysis_check *check,
                          const struct reading *reading, struct analysis *analysis) {
    struct analysis_check *added = result_add_check(analysis);
    if (added == NULL)
        return -ENOMEM;
    int error = 0;
    *added = *check;
    added->measured = (double)NAN;
    added->result = CHECK_NOT_POSSIBLE;
    added->why = result_sentence(
        &error,
        "The shortest state of this signal had fewer than %.0f samples: from %.0f scans/s on its "
        "levels could be judged.",
        survey->limits->samples_per_state,
        ceil(survey->limits->samples_per_state / survey_shortest_state(reading)));
    return error;
}

/* An average is no third level: it lies where the two states and the duty put it. */
static int check_average(const struct levels *levels, const struct scale *scale, double low,
                         double high, const struct analysis_check *like,
                         struct analysis *analysis) {
    struct analysis_check check = *like;
    double swing = high - low;
    double expected =
        low + swing * levels_share_above(levels, scale, levels_reference(low, high, 50.0));
    check.name = "average of signal";
    check.measured = levels_average(levels, scale);
    check.limit_low = expected - AVERAGE_SHARE * swing;
    check.limit_high = expected + AVERAGE_SHARE * swing;
    check.source = "arithmetic: the mean of an on/off signal is low + duty x swing";
    return add_check(analysis, &check, 0.0) ? 0 : -ENOMEM;
}

static int check_states(const struct survey *survey, const struct reading *reading, double low,
                        double high, struct analysis_check *check, struct analysis *analysis) {
    double error = error_of(survey, check->channel, reading);
    check->measured = low;
    if (add_check(analysis, check, error) == NULL)
        return -ENOMEM;
    double pull_up = survey_pull_up(survey, &survey->vehicle->sensors[check->sensor], check->phase);
    if (isnan(pull_up))
        return 0;
    check->name = "high of the signal";
    check->measured = high;
    check->limit_low = survey->limits->hall_high_share * pull_up;
    check->limit_high = (double)NAN;
    check->source = limits_source(offsetof(struct limits, hall_high_share));
    return add_check(analysis, check, error) ? 0 : -ENOMEM;
}

static int check_signal(const struct survey *survey, size_t channel, enum phase phase,
                        unsigned attempt, struct analysis *analysis) {
    const struct vehicle *vehicle = survey->vehicle;
    const struct reading *reading = survey_reading(survey, channel, phase);
    size_t sensor = vehicle_sensor_of_channel(vehicle, channel);
    if (phase == PHASE_KEY_ON || sensor == CHANNEL_NONE ||
        vehicle->sensors[sensor].kind != SENSOR_HALL || reading->edges < FEWEST_EDGES)
        return 0;
    const struct scale difference = difference_scale();
    bool judged = reading->judged != NULL;
    const struct levels *levels = judged ? reading->judged : reading->levels;
    const struct scale *scale = judged ? &difference : &vehicle->channels[channel].scale;
    struct analysis_check check = new_check(survey, "low of the signal", channel, phase, attempt);
    check.limit_high = survey->limits->hall_low;
    check.source = limits_source(offsetof(struct limits, hall_low));
    if (!enough_samples(survey, reading))
        return check_too_slow(survey, &check, reading, analysis);
    double low;
    double high;
    if (!levels_states(levels, scale, &low, &high))
        return 0;
    int result = check_states(survey, reading, low, high, &check, analysis);
    return result < 0 ? result : check_average(levels, scale, low, high, &check, analysis);
}

static int check_channel(const struct survey *survey, size_t channel, enum phase phase,
                         unsigned attempt, struct analysis *analysis) {
    int result = 0;
    switch (survey->vehicle->channels[channel].role) {
    case ROLE_BATTERY:
        return phase == PHASE_CRANKING ? check_battery(survey, channel, attempt, analysis) : 0;
    case ROLE_FEED:
        return check_feed(survey, channel, phase, attempt, analysis);
    case ROLE_RETURN:
        if (phase == PHASE_CRANKING)
            result = check_return_surge(survey, channel, attempt, analysis);
        return result < 0 ? result : check_return(survey, channel, phase, attempt, analysis);
    case ROLE_SIGNAL:
        return check_signal(survey, channel, phase, attempt, analysis);
    default:
        return 0;
    }
}

static int add_channel(const struct survey *survey, size_t channel, enum phase phase,
                       unsigned attempt, struct analysis *analysis) {
    int result = add_level(survey, channel, phase, attempt, analysis);
    bool judged = phase == PHASE_KEY_ON || phase == PHASE_CRANKING || phase == PHASE_RUNNING;
    if (result == 0 && judged && survey_reading(survey, channel, phase)->levels != NULL)
        result = check_channel(survey, channel, phase, attempt, analysis);
    return result;
}

int checks_add(const struct survey *survey, unsigned attempt, struct analysis *analysis) {
    int result = 0;
    for (size_t channel = 0; channel < survey->vehicle->channel_count; channel++) {
        for (int phase = 0; phase < SURVEY_PHASES && result == 0; phase++)
            result = add_channel(survey, channel, (enum phase)phase, attempt, analysis);
    }
    return result;
}

size_t checks_failed(const struct analysis *analysis, unsigned attempt) {
    size_t failed = 0;
    for (size_t i = 0; i < analysis->check_count; i++)
        failed +=
            analysis->checks[i].attempt == attempt && analysis->checks[i].result == CHECK_FAIL;
    return failed;
}
