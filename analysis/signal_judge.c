// SPDX-License-Identifier: Apache-2.0
/*
 * signal_judge.c - from a signal's pulses, its levels, and what else shows that the engine turned.
 */
#include "signal_judge.h"

#include "difference.h"
#include "result.h"
#include "silence.h"
#include "texts.h"
#include "words.h"

#include <math.h>

#define FEWEST_EDGES            6    /* of a signal that was there at all */
#define END_MARGIN_S            0.05 /* the release is dated no finer */
#define WOULD_SHOW_S            0.8  /* some compressions, or a turn of a cam */
#define OTHERS_EDGES            3    /* of another sensor, that show that the engine turned on */
#define SLOW_TURN_S             0.6  /* of the crank, at 100 rpm in the cold */
#define TINY_INDUCTIVE_V        0.05
#define EDGES_SWING_HALL_V      1.0 /* from here on edges.h finds its edges */
#define EDGES_SWING_INDUCTIVE_V 0.2
#define TINY_NOISES             4.0 /* times the noise from sample to sample */
#define RESTED_S                0.5 /* before the engagement */
#define SETTLE_S                0.2 /* behind it the surge is over */
#define LETS_GO_SHARE           0.4
#define OVERDUE                 1.5 /* times the usual angle from edge to edge */
#define OVERDUE_LOOKS           8U  /* edges back */

/* The stretch of cranking (or running) in which a signal must be there. */
struct stretch {
    double from_s, to_s;
    enum phase phase;
};

/* ---- was it the engine that stopped? ---- */

/*
 * By another sensor's edges, has the engine turned farther since the last edge than it usually does
 * from one to the next? By time alone, one that runs down would seem to.
 */
static bool is_overdue(const struct evidence *evidence, size_t channel,
                       const struct silence *silence, size_t teller) {
    const struct pulses *others = evidence->pulses[teller];
    if (others == NULL || silence->never)
        return true;
    size_t count;
    const struct pulse *list = pulses_list(evidence->pulses[channel], &count);
    size_t last = pulses_after(evidence->pulses[channel], silence->last_s) - 1;
    size_t usual = 0;
    for (size_t i = last; i > 0 && i + OVERDUE_LOOKS > last; i--) {
        size_t between =
            pulses_after(others, list[i].at_s) - pulses_after(others, list[i - 1].at_s);
        usual = between > usual ? between : usual;
    }
    size_t since = pulses_after(others, silence->until_s) - pulses_after(others, silence->last_s);
    return (double)since > OVERDUE * (double)usual;
}

static const char *what_turned(const struct evidence *evidence, size_t channel,
                               const struct silence *silence) {
    size_t teller = CHANNEL_NONE;
    if (evidence_turned(evidence, channel, silence->sure_s, silence->until_s, OTHERS_EDGES,
                        &teller) &&
        is_overdue(evidence, channel, silence, teller))
        return words_channel(evidence->survey, teller);
    return NULL;
}

/*
 * Did the starter let go where the signal stopped, and the battery is only slow to recover? Its
 * level from then on is nearer to that before the cranking than to that of the cranking.
 */
static bool lets_go(const struct evidence *evidence, const struct silence *silence) {
    const struct window *window = evidence->window;
    const struct ripple *battery = evidence->ripples[EVIDENCE_BATTERY];
    double low;
    double high;
    double rest;
    double pulled;
    double level;
    return battery != NULL &&
           ripple_level(battery, window->engaged_s - RESTED_S, window->engaged_s - SETTLE_S, &low,
                        &rest, &high) &&
           ripple_level(battery, window->engaged_s + SETTLE_S, silence->last_s, &low, &pulled,
                        &high) &&
           ripple_level(battery, silence->due_s, silence->until_s, &low, &level, &high) &&
           level > pulled + LETS_GO_SHARE * (rest - pulled);
}

/* What showed the engine turning before shows it no more: it stopped, and the signal with it. */
static bool stops(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                  const struct silence *silence) {
    size_t teller;
    return silence->until_s - silence->sure_s >= WOULD_SHOW_S &&
           evidence_turned(evidence, sensor->signal, silence->last_s - WOULD_SHOW_S,
                           silence->last_s, OTHERS_EDGES, &teller);
}

/* A turn of the wheel while the starter turned it, seconds; NAN: not known, or the engine ran. */
static double turn_of(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                      enum phase phase) {
    if (!evidence->has_speed || phase != PHASE_CRANKING)
        return (double)NAN;
    return (sensor->shaft == SHAFT_CAM ? 120.0 : 60.0) / evidence->rpm;
}

static void say_circuit(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                        enum phase phase, struct candidate *candidate, int *error) {
    const struct survey *survey = evidence->survey;
    if (sensor->feed != CHANNEL_NONE) {
        double volts = survey_level(survey, sensor->feed, phase, 0.5, true);
        if (!isnan(volts))
            result_say(error, &candidate->because, TEXT_SIGNAL_FEED_GOOD, volts);
    }
    if (sensor->ret != CHANNEL_NONE && survey->vehicle->ground == GROUND_BATTERY_NEGATIVE) {
        double volts = survey_level(survey, sensor->ret, phase, 0.95, false);
        if (!isnan(volts))
            result_say(error, &candidate->because, TEXT_SIGNAL_RETURN_GOOD, volts);
    }
}

static void say_signal_next(const struct vehicle_sensor *sensor, const char *name,
                            struct candidate *candidate, int *error) {
    result_say(error, &candidate->alternatives, TEXT_SIGNAL_WIRE, name);
    result_say(error, &candidate->alternatives, TEXT_SIGNAL_SENSOR, sensor->name);
    if (sensor->kind == SENSOR_HALL)
        result_say(error, &candidate->alternatives, TEXT_SIGNAL_PULL_UP);
    result_say(error, &candidate->alternatives, TEXT_PROBE);
    result_say(error, &candidate->next, TEXT_SIGNAL_NEXT, name);
}

static void add_lost(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                     const struct stretch *stretch, const struct silence *silence,
                     struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    const struct vehicle_channel *of = &survey->vehicle->channels[sensor->signal];
    const char *turned = what_turned(evidence, sensor->signal, silence);
    bool running = stretch->phase == PHASE_RUNNING;
    bool abrupt = silence->abrupt && running;
    if (running && turned == NULL && (!abrupt || stops(evidence, sensor, silence)))
        return; /* an engine that stops takes its signals along */
    if (running && !abrupt && isnan(silence->to_s))
        return;
    if (turned == NULL && !abrupt &&
        (silence->slowed || evidence_stands_still(evidence) || stops(evidence, sensor, silence) ||
         (!running && lets_go(evidence, silence))))
        return;
    struct candidate *candidate = candidates_add(candidates, FAULT_SIGNAL_LOST, sensor->signal,
                                                 (size_t)(sensor - survey->vehicle->sensors));
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    candidate->standing = silence->never;
    candidate->from_s = silence->last_s;
    candidate->from_until_s = silence->never ? silence->last_s : silence->due_s;
    candidate->to_s = silence->to_s;
    candidate->certainty = turned != NULL ? CERTAINTY_SHOWN : CERTAINTY_LIKELY;
    candidate->observed =
        result_sentence(error, silence->never ? TEXT_SIGNAL_NEVER : TEXT_SIGNAL_LOST, of->name,
                        words_place(of->measured_at), words_phase(stretch->phase));
    candidate->text = result_sentence(error, TEXT_SIGNAL_LOST_SHORT, of->name);
    double engaged_s = evidence->window->engaged_s;
    if (!silence->never && !isnan(engaged_s))
        result_say(error, &candidate->because, TEXT_SIGNAL_LOST_AT, silence->last_s - engaged_s,
                   silence->due_s - engaged_s);
    if (turned != NULL)
        result_say(error, &candidate->because, TEXT_SIGNAL_TURNED, turned);
    else
        result_say(error, &candidate->because,
                   abrupt ? TEXT_SIGNAL_ABRUPT : TEXT_SIGNAL_TURN_UNSEEN);
    say_circuit(evidence, sensor, stretch->phase, candidate, error);
    say_signal_next(sensor, of->name, candidate, error);
}

/* ---- levels ---- */

static struct candidate *add_weak(const struct evidence *evidence,
                                  const struct vehicle_sensor *sensor, char *observed,
                                  struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    const char *name = words_channel(survey, sensor->signal);
    struct candidate *candidate = candidates_add(candidates, FAULT_SIGNAL_WEAK, sensor->signal,
                                                 (size_t)(sensor - survey->vehicle->sensors));
    if (candidate == NULL)
        return NULL;
    int *error = &candidates->error;
    candidate->standing = true;
    candidate->from_s = candidate->from_until_s = evidence->window->engaged_s;
    candidate->to_s = evidence->window->released_s;
    candidate->certainty = CERTAINTY_SHOWN;
    candidate->observed = observed;
    candidate->text = result_sentence(error, TEXT_WEAK_SHORT, name);
    const struct reading *reading = survey_reading(survey, sensor->signal, PHASE_CRANKING);
    const struct scale *scale = &survey->vehicle->channels[sensor->signal].scale;
    if (reading->levels != NULL && sensor->kind == SENSOR_HALL)
        result_say(error, &candidate->because, TEXT_WEAK_METER,
                   levels_average(reading->levels, scale));
    say_circuit(evidence, sensor, PHASE_CRANKING, candidate, error);
    say_signal_next(sensor, name, candidate, error);
    return candidate;
}

/* Both states are known: each against its limit. */
static bool judge_states(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                         double low, double high, double error_v, struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    const struct vehicle_channel *of = &survey->vehicle->channels[sensor->signal];
    const char *at = words_place(of->measured_at);
    const char *when = words_phase(PHASE_CRANKING);
    double needed =
        survey->limits->hall_high_share * survey_pull_up(survey, sensor, PHASE_CRANKING);
    if (low > survey->limits->hall_low + error_v)
        return add_weak(evidence, sensor,
                        result_sentence(&candidates->error, TEXT_WEAK_LOW, of->name, low, at, when,
                                        survey->limits->hall_low),
                        candidates) != NULL;
    if (high < needed - error_v)
        return add_weak(evidence, sensor,
                        result_sentence(&candidates->error, TEXT_WEAK_HIGH, of->name, high, at,
                                        when, needed),
                        candidates) != NULL;
    return false;
}

static void add_small_swing(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                            double swing, struct candidates *candidates) {
    const struct vehicle_channel *of = &evidence->survey->vehicle->channels[sensor->signal];
    add_weak(evidence, sensor,
             result_sentence(&candidates->error, TEXT_WEAK_SWING, of->name, swing,
                             words_place(of->measured_at), words_phase(PHASE_CRANKING)),
             candidates);
}

static void judge_hall(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                       struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    const struct reading *reading = survey_reading(survey, sensor->signal, PHASE_CRANKING);
    const struct scale difference = difference_scale();
    const struct vehicle_channel *of = &survey->vehicle->channels[sensor->signal];
    bool judged = reading->judged != NULL;
    const struct levels *levels = judged ? reading->judged : reading->levels;
    const struct scale *scale = judged ? &difference : &of->scale;
    double count_v = fabs(scale_value(&of->scale, 1.0) - scale_value(&of->scale, 0.0));
    double low;
    double high;
    double shortest_s = survey_shortest_state(reading);
    if (shortest_s < survey->limits->samples_per_state * reading->period_s ||
        !levels_states(levels, scale, &low, &high))
        return;
    judge_states(evidence, sensor, low, high, 2.0 * count_v, candidates);
}

/* An inductive sensor's swing from peak to peak; single spikes are not its own. */
static void judge_inductive(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                            struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    double swing = survey_level(survey, sensor->signal, PHASE_CRANKING, 0.99, true) -
                   survey_level(survey, sensor->signal, PHASE_CRANKING, 0.01, true);
    if (swing < survey->limits->inductive_swing)
        add_small_swing(evidence, sensor, swing, candidates);
}

static void judge_levels(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                         struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    const struct reading *reading = survey_reading(survey, sensor->signal, PHASE_CRANKING);
    if (isnan(evidence->window->engaged_s) || reading->levels == NULL ||
        reading->edges < FEWEST_EDGES)
        return;
    if (sensor->kind == SENSOR_HALL)
        judge_hall(evidence, sensor, candidates);
    else
        judge_inductive(evidence, sensor, candidates);
}

/* A signal without edges that moves all the same: it swings too little to count them. */
static bool judge_tiny(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                       struct candidates *candidates) {
    const struct survey *survey = evidence->survey;
    const struct vehicle_channel *of = &survey->vehicle->channels[sensor->signal];
    const struct reading *reading = survey_reading(survey, sensor->signal, PHASE_CRANKING);
    double turned_s = evidence->window->released_s - evidence->window->engaged_s;
    double turn_s = sensor->shaft == SHAFT_CAM ? 2.0 * SLOW_TURN_S : SLOW_TURN_S;
    if (reading->levels == NULL || reading->edges >= FEWEST_EDGES || turned_s < turn_s)
        return false; /* there, or perhaps no tooth has come by */
    double still = levels_noise(reading->levels, &of->scale);
    double swing = survey_level(survey, sensor->signal, PHASE_CRANKING, 0.98, true) -
                   survey_level(survey, sensor->signal, PHASE_CRANKING, 0.02, true);
    double least = sensor->kind == SENSOR_HALL ? survey->limits->hall_low : TINY_INDUCTIVE_V;
    double most = sensor->kind == SENSOR_HALL ? EDGES_SWING_HALL_V : EDGES_SWING_INDUCTIVE_V;
    if (swing < least || swing < TINY_NOISES * still || swing > most)
        return false;
    add_small_swing(evidence, sensor, swing, candidates);
    return true;
}

/* ---- all of one sensor ---- */

/* Its running is known from signals: where they end with the key on, that is part of it. */
static double runs_until(const struct window *window, size_t phase) {
    bool key_on =
        phase + 1 < window->phase_count && window->phases[phase + 1].phase == PHASE_KEY_ON;
    return window->phases[key_on ? phase + 1 : phase].to_s;
}

static void judge_silence(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                          struct candidates *candidates) {
    const struct window *window = evidence->window;
    const struct wheel_track *track = evidence->tracks[sensor - window->vehicle->sensors];
    const struct pulses *pulses = evidence->pulses[sensor->signal];
    for (size_t i = 0; i < window->phase_count; i++) {
        const struct analysis_phase *phase = &window->phases[i];
        struct stretch stretch = {fmax(phase->from_s, window->from_s),
                                  fmin(phase->to_s, window->to_s) - END_MARGIN_S, phase->phase};
        if (phase->phase == PHASE_RUNNING)
            stretch.to_s = fmin(runs_until(window, i), window->to_s) - END_MARGIN_S;
        struct silence silence;
        if ((phase->phase == PHASE_CRANKING || phase->phase == PHASE_RUNNING) &&
            stretch.to_s > stretch.from_s &&
            silence_find(pulses, track, sensor, stretch.from_s, stretch.to_s,
                         turn_of(evidence, sensor, phase->phase), &silence))
            add_lost(evidence, sensor, &stretch, &silence, candidates);
    }
}

static void judge_sensor(const struct evidence *evidence, const struct vehicle_sensor *sensor,
                         struct candidates *candidates) {
    bool tiny = !isnan(evidence->window->engaged_s) && judge_tiny(evidence, sensor, candidates);
    if (!tiny)
        judge_silence(evidence, sensor, candidates);
    judge_levels(evidence, sensor, candidates);
}

void signal_judge(const struct evidence *evidence, struct candidates *candidates) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        if (vehicle->sensors[i].signal != CHANNEL_NONE)
            judge_sensor(evidence, &vehicle->sensors[i], candidates);
    }
}
