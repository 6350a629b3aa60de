// SPDX-License-Identifier: Apache-2.0
/*
 * coverage.c - what was judged good, what failed, what could not be judged or was not watched.
 */
#include "coverage.h"

#include "result.h"
#include "words.h"

#include <math.h>

/* The phase that the answer rests on: cranking, or without an attempt the key on. */
static bool counts_for(const struct analysis_check *check, unsigned attempt) {
    return check->attempt == attempt && (check->phase == PHASE_CRANKING || attempt == 0);
}

/* Is every circuit of every sensor on a lead, and the battery? */
static bool leads_complete(const struct vehicle *vehicle) {
    bool complete =
        vehicle->sensor_count > 0 && vehicle_channel_by_role(vehicle, ROLE_BATTERY) != CHANNEL_NONE;
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        const struct vehicle_sensor *sensor = &vehicle->sensors[i];
        bool feed = sensor->feed != CHANNEL_NONE || sensor->kind == SENSOR_INDUCTIVE;
        complete =
            complete && feed && sensor->ret != CHANNEL_NONE && sensor->signal != CHANNEL_NONE;
    }
    return complete;
}

/* Did every sensor's signal of that attempt get judged good? */
static bool signals_good(const struct survey *survey, unsigned attempt,
                         const struct analysis *analysis) {
    for (size_t i = 0; i < survey->vehicle->sensor_count; i++) {
        size_t signal = survey->vehicle->sensors[i].signal;
        bool good = false;
        for (size_t k = 0; k < analysis->check_count; k++)
            good = good || (analysis->checks[k].channel == signal &&
                            counts_for(&analysis->checks[k], attempt) &&
                            analysis->checks[k].result == CHECK_PASS);
        if (!good)
            return false;
    }
    return true;
}

enum coverage coverage_of(const struct survey *survey, unsigned attempt,
                          const struct analysis *analysis) {
    bool any = false;
    bool all = leads_complete(survey->vehicle) && signals_good(survey, attempt, analysis);
    for (size_t i = 0; i < analysis->check_count; i++) {
        const struct analysis_check *check = &analysis->checks[i];
        if (!counts_for(check, attempt))
            continue;
        any = any || check->result == CHECK_PASS;
        all = all && check->result == CHECK_PASS;
    }
    return !any ? COVERED_NOTHING : all ? COVERED_ALL : COVERED_PARTLY;
}

/* One sentence for a check that passed, in the words of its circuit. */
static void say_good(const struct survey *survey, const struct analysis_check *check,
                     struct analysis_verdict *verdict, int *error) {
    const char *name = words_channel(survey, check->channel);
    const char *when = words_phase(check->phase);
    switch (survey->vehicle->channels[check->channel].role) {
    case ROLE_BATTERY:
        result_say(error, &verdict->because, "%s stood at %.1f V on average %s.", name,
                   check->measured, when);
        break;
    case ROLE_FEED:
        result_say(error, &verdict->because, "%s held %.2f V %s.", name, check->measured, when);
        break;
    case ROLE_RETURN:
        if (check->limit_high <= survey->limits->return_level) /* not that of the first surge */
            result_say(error, &verdict->because, "%s stayed at %.2f V or below %s.", name,
                       check->measured, when);
        break;
    default: /* of a signal its low level, its high level, and the average that follows from both */
        if (isnan(check->limit_low))
            result_say(error, &verdict->because, "%s pulled down to %.2f V %s.", name,
                       check->measured, when);
        else if (isnan(check->limit_high))
            result_say(error, &verdict->because, "%s rose to %.2f V %s.", name, check->measured,
                       when);
        break;
    }
}

void coverage_say_good(const struct survey *survey, unsigned attempt,
                       const struct analysis *analysis, struct analysis_verdict *verdict,
                       int *error) {
    for (size_t i = 0; i < analysis->check_count; i++) {
        if (counts_for(&analysis->checks[i], attempt) && analysis->checks[i].result == CHECK_PASS)
            say_good(survey, &analysis->checks[i], verdict, error);
    }
}

/* Checks that could not be made are part of what was not tested. */
static void say_not_judged(const struct survey *survey, unsigned attempt,
                           const struct analysis *analysis, struct analysis_verdict *verdict,
                           int *error) {
    for (size_t i = 0; i < analysis->check_count; i++) {
        const struct analysis_check *check = &analysis->checks[i];
        if (counts_for(check, attempt) && check->result == CHECK_NOT_POSSIBLE)
            result_say(error, &verdict->not_tested, "%s, %s: %s",
                       words_channel(survey, check->channel), check->name, check->why);
    }
}

static bool is_told(const struct candidates *candidates, size_t channel) {
    for (size_t i = 0; i < candidates->count; i++) {
        if (candidates->list[i].channel == channel)
            return true;
    }
    return false;
}

void coverage_say_failed(const struct survey *survey, const struct candidates *candidates,
                         unsigned attempt, const struct analysis *analysis,
                         struct analysis_verdict *verdict, int *error) {
    for (size_t i = 0; i < analysis->check_count; i++) {
        const struct analysis_check *check = &analysis->checks[i];
        if (check->attempt != attempt || check->result != CHECK_FAIL ||
            is_told(candidates, check->channel))
            continue;
        bool low = check->measured < check->limit_low;
        result_say(error, &verdict->because,
                   "%s was out of its limits %s: %s %.2f %s, allowed is %s %.2f %s.",
                   words_channel(survey, check->channel), words_phase(check->phase), check->name,
                   check->measured, check->unit, low ? "at least" : "at most",
                   low ? check->limit_low : check->limit_high, check->unit);
    }
}

static void say_not_watched(const struct survey *survey, struct analysis_verdict *verdict,
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

void coverage_say_not_tested(const struct survey *survey, unsigned attempt,
                             const struct analysis *analysis, struct analysis_verdict *verdict,
                             int *error) {
    say_not_watched(survey, verdict, error);
    say_not_judged(survey, attempt, analysis, verdict, error);
}
