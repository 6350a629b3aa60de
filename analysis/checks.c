// SPDX-License-Identifier: Apache-2.0
/*
 * checks.c - levels of each lead in each phase, and what they must be.
 */
#include "checks.h"

#include "difference.h"
#include "result.h"

#include <errno.h>
#include <math.h>

static double volts_per_count(const struct scale *scale) {
    return fabs(scale_value(scale, 1.0) - scale_value(scale, 0.0));
}

static bool enough_samples(const struct survey *survey, const struct reading *reading) {
    double shortest_s = survey_shortest_state(reading);
    return isnan(shortest_s) || shortest_s >= survey->limits->samples_per_state * reading->period_s;
}

static int add_level(const struct survey *survey, size_t channel, enum phase phase,
                     unsigned attempt, struct analysis *analysis) {
    const struct reading *reading = survey_reading(survey, channel, phase);
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    struct analysis_level *level = result_add_level(analysis);
    if (level == NULL)
        return -ENOMEM;
    double a = scale_value(&of->scale, reading->levels->lowest);
    double b = scale_value(&of->scale, reading->levels->highest);
    *level = (struct analysis_level){
        .channel = channel,
        .phase = phase,
        .attempt = attempt,
        .lowest = fmin(a, b),
        .highest = fmax(a, b),
        .average = levels_average(reading->levels, &of->scale),
        .low = (double)NAN,
        .high = (double)NAN,
        .duty = (double)NAN,
        .edges_per_s = (double)NAN,
    };
    if (of->role != ROLE_SIGNAL && of->role != ROLE_COMMAND)
        return 0;
    if (enough_samples(survey, reading) && reading->time_s > 0.0)
        level->edges_per_s = reading->edges / reading->time_s;
    if (reading->edges >= 2 &&
        levels_states(reading->levels, &of->scale, &level->low, &level->high))
        level->duty = levels_share_above(reading->levels, &of->scale,
                                         levels_reference(level->low, level->high, 50.0));
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
    return added;
}

static double error_of(const struct survey *survey, size_t channel, const struct levels *levels) {
    const struct scale *scale = &survey->vehicle->channels[channel].scale;
    return volts_per_count(scale) + levels_noise(levels, scale);
}

/* The feed's usual level in that phase, against its return: a tenth of the samples may dip. */
static int check_feed(const struct survey *survey, size_t channel, enum phase phase,
                      unsigned attempt, struct analysis *analysis) {
    const struct vehicle *vehicle = survey->vehicle;
    const struct vehicle_channel *of = &vehicle->channels[channel];
    const struct reading *reading = survey_reading(survey, channel, phase);
    if (phase == PHASE_KEY_OFF || isnan(of->nominal) || of->nominal_is_battery)
        return 0;
    const struct scale difference = difference_scale();
    bool judged = reading->judged != NULL;
    const struct levels *levels = judged ? reading->judged : reading->levels;
    const struct scale *scale = judged ? &difference : &of->scale;
    double tolerance = feeds_tolerance(vehicle, survey->limits, channel);
    struct analysis_check check = {
        .name = "feed level",
        .channel = channel,
        .sensor = vehicle_sensor_of_channel(vehicle, channel),
        .attempt = attempt,
        .phase = phase,
        .measured = levels_percentile(levels, scale, 0.5),
        .limit_low = of->nominal - tolerance,
        .limit_high = of->nominal + tolerance,
        .unit = of->unit,
        .source = limits_source(offsetof(struct limits, feed_tolerance)),
    };
    return add_check(analysis, &check, error_of(survey, channel, reading->levels)) ? 0 : -ENOMEM;
}

static int check_return(const struct survey *survey, size_t channel, enum phase phase,
                        unsigned attempt, struct analysis *analysis) {
    const struct vehicle *vehicle = survey->vehicle;
    const struct vehicle_channel *of = &vehicle->channels[channel];
    const struct reading *reading = survey_reading(survey, channel, phase);
    if (phase == PHASE_KEY_OFF)
        return 0;
    struct analysis_check check = {
        .name = "return level",
        .channel = channel,
        .sensor = vehicle_sensor_of_channel(vehicle, channel),
        .attempt = attempt,
        .phase = phase,
        .measured = levels_percentile(reading->levels, &of->scale, 0.95),
        .limit_low = (double)NAN,
        .limit_high = survey->limits->return_level,
        .unit = of->unit,
        .source = limits_source(offsetof(struct limits, return_level)),
    };
    struct analysis_check *added =
        add_check(analysis, &check, error_of(survey, channel, reading->levels));
    if (added == NULL)
        return -ENOMEM;
    bool at_rail = of->rail_low <= of->rail_high && reading->levels->lowest <= of->rail_low;
    int error = 0;
    if (vehicle->ground != GROUND_BATTERY_NEGATIVE) {
        added->result = CHECK_NOT_POSSIBLE;
        added->why = result_sentence(&error, "The board's ground is not at the battery's negative "
                                             "post, so a return's level means little by itself.");
    } else if (at_rail && added->result != CHECK_FAIL) {
        added->result = CHECK_NOT_POSSIBLE;
        added->why = result_sentence(&error, "The input stood at its lower end: that reads as \"at "
                                             "or below 0 V\", and a return cannot be called good "
                                             "by it.");
    }
    return error;
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
        "The shortest state of this signal had fewer than %.0f samples: sample at %.0f "
        "scans/s or faster to judge its levels.",
        survey->limits->samples_per_state,
        ceil(survey->limits->samples_per_state / survey_shortest_state(reading)));
    return error;
}

static double pull_up_of(const struct vehicle *vehicle, const struct vehicle_sensor *sensor) {
    if (sensor->pull_up_is_feed && sensor->feed != CHANNEL_NONE)
        return vehicle->channels[sensor->feed].nominal;
    return sensor->pull_up_is_battery ? (double)NAN : sensor->pull_up;
}

static int check_signal(const struct survey *survey, size_t channel, enum phase phase,
                        unsigned attempt, struct analysis *analysis) {
    const struct vehicle *vehicle = survey->vehicle;
    const struct reading *reading = survey_reading(survey, channel, phase);
    size_t index = vehicle_sensor_of_channel(vehicle, channel);
    if (index == CHANNEL_NONE || vehicle->sensors[index].kind != SENSOR_HALL || reading->edges < 4)
        return 0;
    const struct scale difference = difference_scale();
    bool judged = reading->judged != NULL;
    double low, high;
    if (!levels_states(judged ? reading->judged : reading->levels,
                       judged ? &difference : &vehicle->channels[channel].scale, &low, &high))
        return 0;
    struct analysis_check check = {
        .name = "low of the signal",
        .channel = channel,
        .sensor = index,
        .attempt = attempt,
        .phase = phase,
        .measured = low,
        .limit_low = (double)NAN,
        .limit_high = survey->limits->hall_low,
        .unit = vehicle->channels[channel].unit,
        .source = limits_source(offsetof(struct limits, hall_low)),
    };
    if (!enough_samples(survey, reading))
        return check_too_slow(survey, &check, reading, analysis);
    double error = error_of(survey, channel, reading->levels);
    if (add_check(analysis, &check, error) == NULL)
        return -ENOMEM;
    double pull_up = pull_up_of(vehicle, &vehicle->sensors[index]);
    if (isnan(pull_up))
        return 0;
    check.name = "high of the signal";
    check.measured = high;
    check.limit_low = survey->limits->hall_high_share * pull_up;
    check.limit_high = (double)NAN;
    check.source = limits_source(offsetof(struct limits, hall_high_share));
    return add_check(analysis, &check, error) ? 0 : -ENOMEM;
}

static int check_channel(const struct survey *survey, size_t channel, enum phase phase,
                         unsigned attempt, struct analysis *analysis) {
    switch (survey->vehicle->channels[channel].role) {
    case ROLE_FEED:
        return check_feed(survey, channel, phase, attempt, analysis);
    case ROLE_RETURN:
        return check_return(survey, channel, phase, attempt, analysis);
    case ROLE_SIGNAL:
        return check_signal(survey, channel, phase, attempt, analysis);
    default:
        return 0;
    }
}

int checks_add(const struct survey *survey, unsigned attempt, struct analysis *analysis) {
    int result = 0;
    for (size_t channel = 0; channel < survey->vehicle->channel_count; channel++) {
        for (int phase = 0; phase < SURVEY_PHASES && result == 0; phase++) {
            if (survey_reading(survey, channel, (enum phase)phase)->levels == NULL)
                continue;
            result = add_level(survey, channel, (enum phase)phase, attempt, analysis);
            if (result == 0 && phase != PHASE_UNKNOWN)
                result = check_channel(survey, channel, (enum phase)phase, attempt, analysis);
        }
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
