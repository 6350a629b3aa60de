// SPDX-License-Identifier: Apache-2.0
/*
 * return_judge.c - a return that rises alone is its wire; one that takes its feed, the other
 * returns or a ground lead along is the ground that they all hang on.
 */
#include "return_judge.h"

#include "result.h"
#include "returns.h"
#include "texts.h"
#include "words.h"

#include <math.h>

#define BEFORE_ENGAGED_S 0.02  /* the engagement is dated no finer */
#define ALONG_SHARE      0.5   /* of the return's rise: what rises so much goes along */
#define STAYS_SHARE      0.3   /* what rises less stays */
#define KEY_DATED_S      0.05  /* the key is dated a little later than what it switches on */
#define RISES_WITHIN_S   0.002 /* from its usual level to its limit */
#define SURGE_TAIL_S     0.15  /* a surge is gone by then, and what is left of it small */
#define HIGH_SHARE       0.8   /* of the pull-up: the signal was high at times */
#define NOISE_FACTOR     3.0

/* One departure of a return or a ground, and what else moved with it. */
struct rise {
    const struct departure *departure;
    size_t index, sensor;
    enum phase phase;
    double before, mean, highest; /* volts; `before` is NAN where it stood so from the first on */
    double rose;                  /* by so much: from before, or from 0 V */
    bool with_starter;            /* it began with the starter's engagement */
    size_t feed, other, ground;   /* leads that could tell, or CHANNEL_NONE */
    double feed_rose, other_rose, ground_rose, high_rose; /* NAN: cannot tell */
};

static double mean_before(const struct departure_view *view) {
    return view->before_count > 0 ? view->before_sum / (double)view->before_count : (double)NAN;
}

static double mean_out(const struct departure_view *view) {
    return view->out_count > 0 ? view->out_sum / (double)view->out_count : (double)NAN;
}

/* How far a lead went up with the departure; one that stood so from the first on: above its due. */
static double rose_by(const struct survey *survey, const struct rise *rise, size_t channel) {
    const struct vehicle_channel *of = &survey->vehicle->channels[channel];
    const struct departure_view *view = survey_view(survey, rise->index, channel);
    double from = mean_before(view);
    if (isnan(rise->before))
        from = of->role == ROLE_FEED ? (of->nominal_is_battery ? (double)NAN : of->nominal) : 0.0;
    return mean_out(view) - from;
}

static size_t feed_beside(const struct survey *survey, size_t ret) {
    const struct vehicle *vehicle = survey->vehicle;
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        const struct vehicle_sensor *sensor = &vehicle->sensors[i];
        if (sensor->ret == ret && sensor->feed != CHANNEL_NONE &&
            !vehicle->channels[sensor->feed].nominal_is_battery)
            return sensor->feed;
    }
    return CHANNEL_NONE;
}

/*
 * How far the high level of the sensor's signal rose: the control unit pulls it up from its own
 * ground, which the return of the sensor alone does not move.
 */
static double high_rose_by(const struct survey *survey, const struct rise *rise) {
    if (rise->sensor == CHANNEL_NONE)
        return (double)NAN;
    const struct vehicle_sensor *sensor = &survey->vehicle->sensors[rise->sensor];
    if (sensor->signal == CHANNEL_NONE || sensor->kind != SENSOR_HALL ||
        sensor->pull_up_is_battery || isnan(sensor->pull_up))
        return (double)NAN;
    double high = survey_level(survey, sensor->signal, rise->phase, 0.98, false);
    return high > HIGH_SHARE * sensor->pull_up ? high - sensor->pull_up : (double)NAN;
}

/* Another return, the one that rose least: what all do is the ground. */
static void weigh_others(const struct survey *survey, struct rise *rise) {
    const struct vehicle *vehicle = survey->vehicle;
    rise->other = CHANNEL_NONE;
    rise->other_rose = (double)NAN;
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        if (i == rise->departure->channel || vehicle->channels[i].role != ROLE_RETURN)
            continue;
        double rose = rose_by(survey, rise, i);
        if (isnan(rose) || rose >= rise->other_rose)
            continue;
        rise->other = i;
        rise->other_rose = rose;
    }
}

static struct rise weigh(const struct survey *survey, size_t index) {
    const struct departure *departure = survey->departures[index];
    const struct departure_view *view = survey_view(survey, index, departure->channel);
    struct rise rise = {
        .departure = departure,
        .index = index,
        .sensor = vehicle_sensor_of_channel(survey->vehicle, departure->channel),
        .phase = window_phase_at(survey->window, departure->from_until_s + KEY_DATED_S),
        .before = (double)NAN,
        .mean = mean_out(view),
        .highest = view->highest,
        .ground = vehicle_channel_by_role(survey->vehicle, ROLE_GROUND),
        .feed_rose = (double)NAN,
        .ground_rose = (double)NAN,
    };
    double before_s = departure->from_s - KEY_DATED_S;
    if (departure->from_s < departure->from_until_s &&
        window_phase_at(survey->window, before_s) != PHASE_KEY_OFF)
        rise.before = mean_before(view);
    rise.rose = rise.mean - (isnan(rise.before) ? 0.0 : rise.before);
    rise.feed = feed_beside(survey, departure->channel);
    if (rise.feed != CHANNEL_NONE)
        rise.feed_rose = rose_by(survey, &rise, rise.feed);
    if (rise.ground != CHANNEL_NONE && rise.ground != departure->channel)
        rise.ground_rose = rose_by(survey, &rise, rise.ground);
    rise.with_starter = fabs(departure->from_until_s - survey->window->engaged_s) <
                        survey->limits->return_surge_time;
    rise.high_rose = high_rose_by(survey, &rise);
    weigh_others(survey, &rise);
    return rise;
}

/* ---- is it an event? ---- */

static double error_of(const struct survey *survey, const struct rise *rise) {
    size_t channel = rise->departure->channel;
    const struct scale *scale = &survey->vehicle->channels[channel].scale;
    const struct reading *reading = survey_reading(survey, channel, rise->phase);
    double noise = reading->levels == NULL ? 0.0 : levels_noise(reading->levels, scale);
    return fabs(scale_value(scale, 1.0) - scale_value(scale, 0.0)) + NOISE_FACTOR * noise;
}

/* Is it all within the starter's first surge, and no higher than that allows? */
static bool is_surge(const struct survey *survey, const struct rise *rise) {
    const struct window *window = survey->window;
    const struct limits *limits = survey->limits;
    const struct departure *departure = rise->departure;
    double error = error_of(survey, rise); /* the highest of many samples lies further off */
    return !isnan(window->engaged_s) &&
           departure->from_until_s >= window->engaged_s - BEFORE_ENGAGED_S &&
           departure->to_s <= window->engaged_s + limits->return_surge_time + SURGE_TAIL_S &&
           departure->depth <= limits->return_surge_level - returns_limit(survey->vehicle, limits) +
                                   (rise->mean <= limits->return_surge_level ? 2.0 : 1.0) * error;
}

static bool is_event(const struct survey *survey, const struct rise *rise) {
    bool awake = rise->phase == PHASE_KEY_ON || rise->phase == PHASE_CRANKING ||
                 rise->phase == PHASE_RUNNING;
    return awake && rise->departure->depth > error_of(survey, rise) && !isnan(rise->mean) &&
           !is_surge(survey, rise);
}

/* ---- whose rise is it? ---- */

/* Does everything that could tell go up together? */
static bool is_ground(const struct rise *rise) {
    double along = ALONG_SHARE * rise->rose;
    if (!isnan(rise->ground_rose))
        return rise->ground_rose >= along;
    if (rise->other_rose < STAYS_SHARE * rise->rose)
        return false;
    /* of a return that is open, the sensor's output floats up as well */
    bool by_signal = isnan(rise->feed_rose) && rise->with_starter && rise->high_rose >= along;
    return rise->feed_rose >= along || by_signal;
}

/* Is something watched that would have gone up with the ground, and stayed? */
static bool others_stay(const struct rise *rise) {
    double stays = STAYS_SHARE * rise->rose;
    return rise->ground_rose < stays || rise->feed_rose < stays || rise->other_rose < stays ||
           rise->high_rose < stays;
}

static void place(const struct rise *rise, struct candidate *candidate) {
    candidate->from_s = rise->departure->from_s - RISES_WITHIN_S;
    candidate->from_until_s = rise->departure->from_until_s;
    candidate->to_s = rise->departure->to_s;
    candidate->extreme = rise->highest;
    candidate->standing = isnan(rise->before);
}

static void say_when(const struct survey *survey, const struct rise *rise,
                     struct candidate *candidate, int *error) {
    double behind_s = rise->departure->from_until_s - survey->window->engaged_s;
    if (!candidate->standing && fabs(behind_s) < survey->limits->return_surge_time)
        result_say(error, &candidate->because, TEXT_RETURN_WITH_STARTER, 1e3 * fabs(behind_s));
    if (rise->departure->times > 1)
        result_say(error, &candidate->because, TEXT_RETURN_TIMES, rise->departure->times);
}

static void add_ground(const struct evidence *evidence, const struct rise *rise,
                       struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    size_t channel = rise->ground != CHANNEL_NONE ? rise->ground : rise->departure->channel;
    const char *name = words_channel(survey, rise->departure->channel);
    if (candidates_have(candidates, FAULT_GROUND_RISE, channel))
        return;
    struct candidate *candidate =
        candidates_add(candidates, FAULT_GROUND_RISE, channel, CHANNEL_NONE);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    place(rise, candidate);
    candidate->certainty =
        rise->ground_rose >= ALONG_SHARE * rise->rose ? CERTAINTY_SHOWN : CERTAINTY_LIKELY;
    size_t along = rise->feed_rose >= ALONG_SHARE * rise->rose ? rise->feed : rise->ground;
    if (along == CHANNEL_NONE)
        along = survey->vehicle->sensors[rise->sensor].signal;
    candidate->observed = result_sentence(error, TEXT_GROUND_ROSE, name, rise->highest,
                                          words_phase(rise->phase), words_channel(survey, along));
    candidate->text = result_sentence(error, TEXT_GROUND_ROSE_SHORT, name, rise->highest);
    if (!isnan(rise->feed_rose))
        result_say(error, &candidate->because, TEXT_GROUND_FEED, words_channel(survey, rise->feed),
                   rise->feed_rose);
    if (rise->other_rose >= ALONG_SHARE * rise->rose)
        result_say(error, &candidate->because, TEXT_GROUND_RETURN,
                   words_channel(survey, rise->other), rise->other_rose);
    say_when(survey, rise, candidate, error);
    result_say(error, &candidate->alternatives, TEXT_GROUND_CABLE);
    result_say(error, &candidate->next, TEXT_GROUND_NEXT);
}

static void say_return(const struct survey *survey, const struct rise *rise, bool open,
                       struct candidate *candidate, int *error) {
    const struct vehicle_channel *of = &survey->vehicle->channels[rise->departure->channel];
    const char *at = words_place(of->measured_at);
    const char *when = words_phase(rise->phase);
    if (open)
        candidate->observed =
            result_sentence(error, TEXT_RETURN_FLOATS, of->name, rise->mean, at, when);
    else
        candidate->observed =
            result_sentence(error, candidate->standing ? TEXT_RETURN_STOOD : TEXT_RETURN_ROSE,
                            of->name, candidate->standing ? rise->mean : rise->highest, at, when,
                            survey->limits->return_level);
    candidate->text = open
                          ? result_sentence(error, TEXT_RETURN_FLOATS_SHORT, of->name, rise->mean)
                          : result_sentence(error, TEXT_RETURN_ROSE_SHORT, of->name, rise->highest);
    if (rise->feed_rose < STAYS_SHARE * rise->rose)
        result_say(error, &candidate->because, TEXT_RETURN_FEED_STAYED,
                   words_channel(survey, rise->feed));
    if (rise->ground_rose < STAYS_SHARE * rise->rose)
        result_say(error, &candidate->because, TEXT_RETURN_GROUND_QUIET,
                   words_channel(survey, rise->ground));
    if (rise->other_rose < STAYS_SHARE * rise->rose)
        result_say(error, &candidate->because, TEXT_RETURN_GROUND_QUIET,
                   words_channel(survey, rise->other));
    say_when(survey, rise, candidate, error);
}

static void add_return(const struct evidence *evidence, const struct rise *rise,
                       struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    const char *name = words_channel(survey, rise->departure->channel);
    bool open = rise->mean >= survey->limits->return_open;
    struct candidate *candidate =
        candidates_add(candidates, open ? FAULT_RETURN_OPEN : FAULT_RETURN_RISE,
                       rise->departure->channel, rise->sensor);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    place(rise, candidate);
    candidate->certainty = open || others_stay(rise) ? CERTAINTY_SHOWN : CERTAINTY_LIKELY;
    say_return(survey, rise, open, candidate, error);
    if (open)
        result_say(error, &candidate->alternatives, TEXT_RETURN_BREAK);
    else
        result_say(error, &candidate->alternatives, TEXT_RETURN_WIRE, name);
    result_say(error, &candidate->alternatives, TEXT_RETURN_SHARED);
    if (!others_stay(rise))
        result_say(error, &candidate->alternatives, TEXT_RETURN_UNIT_GROUND);
    result_say(error, &candidate->alternatives, TEXT_PROBE);
    result_say(error, &candidate->next, open ? TEXT_RETURN_OPEN_NEXT : TEXT_RETURN_NEXT, name);
}

/* A ground lead that rises while no return shows it: said of that lead alone. */
static void add_ground_alone(const struct evidence *evidence, const struct rise *rise,
                             struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    size_t channel = rise->departure->channel;
    if (candidates_have(candidates, FAULT_GROUND_RISE, channel))
        return;
    struct candidate *candidate =
        candidates_add(candidates, FAULT_GROUND_RISE, channel, CHANNEL_NONE);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    place(rise, candidate);
    candidate->certainty = CERTAINTY_SHOWN;
    candidate->observed =
        result_sentence(error, TEXT_GROUND_ROSE_ALONE, words_channel(survey, channel),
                        rise->highest, words_phase(rise->phase), survey->limits->ground_level);
    candidate->text = result_sentence(error, TEXT_GROUND_ROSE_SHORT, words_channel(survey, channel),
                                      rise->highest);
    say_when(survey, rise, candidate, error);
    result_say(error, &candidate->alternatives, TEXT_GROUND_CABLE);
    result_say(error, &candidate->next, TEXT_GROUND_NEXT);
}

static void judge(const struct evidence *evidence, size_t index, struct candidates *candidates,
                  struct analysis_texts *notes) {
    const struct survey *survey = evidence->survey;
    struct rise rise = weigh(survey, index);
    bool ground = survey->vehicle->channels[rise.departure->channel].role == ROLE_GROUND;
    if (!is_event(survey, &rise)) {
        double reached = returns_limit(survey->vehicle, survey->limits) + rise.departure->depth;
        if (!ground && is_surge(survey, &rise) && reached >= survey->limits->return_surge_note)
            result_say(&candidates->error, notes, TEXT_SURGE_NOTE,
                       words_channel(survey, rise.departure->channel), reached);
        return;
    }
    if (ground)
        add_ground_alone(evidence, &rise, candidates);
    else if (!is_ground(&rise))
        add_return(evidence, &rise, candidates);
    else if (survey->vehicle->ground == GROUND_BATTERY_NEGATIVE) /* else it is the board's own */
        add_ground(evidence, &rise, candidates);
}

void return_judge(const struct evidence *evidence, struct candidates *candidates,
                  struct analysis_texts *notes) {
    const struct survey *survey = evidence->survey;
    for (int pass = 0; pass < 2; pass++) { /* returns first: they say more of a ground */
        for (size_t i = 0; i < survey->departure_count; i++) {
            enum role role = survey->vehicle->channels[survey->departures[i]->channel].role;
            if (role == (pass == 0 ? ROLE_RETURN : ROLE_GROUND))
                judge(evidence, i, candidates, notes);
        }
    }
}
