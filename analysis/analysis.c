// SPDX-License-Identifier: Apache-2.0
/*
 * analysis.c - two passes over a record: phases and departures of the whole, then each attempt's
 * window.
 */
#include "analysis.h"

#include "attempts.h"
#include "checks.h"
#include "departures.h"
#include "evidence.h"
#include "requests.h"
#include "result.h"
#include "speed_curve.h"
#include "verdict.h"
#include "wheel_forms.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define RIPPLE_AGREES 0.15 /* of its speed: two ways of measuring say the same */

struct work {
    const struct record *record;
    const struct limits *limits;
    void (*progress)(void *context, double share);
    void *context;
    struct phases *phases;
    struct departures *departures;
    struct requests *requests;
    struct attempt *attempts;
    size_t attempt_count;
    struct analysis *analysis;
};

static void tell(const struct work *work, double share) {
    if (work->progress != NULL)
        work->progress(work->context, share);
}

/* ---- pass 1 ---- */

/* Adds a phase behind the others; one that a later change leaves no time for is forgotten. */
static int add_phase(struct work *work, enum phase phase, double at_s) {
    struct analysis *analysis = work->analysis;
    while (analysis->phase_count > 0) {
        struct analysis_phase *last = &analysis->phases[analysis->phase_count - 1];
        last->to_s = work->record->to_s;
        if (last->phase == phase)
            return 0;
        if (last->from_s < at_s) {
            last->to_s = at_s;
            break;
        }
        at_s = last->from_s;
        analysis->phase_count--;
    }
    struct analysis_phase *added = result_add_phase(analysis);
    if (added == NULL)
        return -ENOMEM;
    *added = (struct analysis_phase){phase, at_s, work->record->to_s};
    return 0;
}

/* The changes so far as phases without holes; the last one's end is set when it is known. */
static int take_changes(struct work *work) {
    struct phase_change change;
    while (phases_take(work->phases, &change)) {
        int result = add_phase(work, change.phase, fmax(change.at_s, work->record->from_s));
        if (result != 0)
            return result;
    }
    return 0;
}

static int first_pass(struct work *work) {
    const struct record *record = work->record;
    int result = add_phase(work, PHASE_UNKNOWN, record->from_s);
    if (result == 0)
        result = record->seek(record->context, record->from_s);
    if (result < 0)
        return result;
    struct record_run run;
    while ((result = record->next(record->context, &run)) > 0) {
        phases_push(work->phases, &run);
        result = departures_push(work->departures, &run);
        if (result == 0)
            result = requests_push(work->requests, &run);
        if (result == 0)
            result = take_changes(work);
        if (result < 0)
            return result;
        tell(work, 0.5 * (run.time_s - record->from_s) / (record->to_s - record->from_s + 1e-9));
    }
    if (result < 0)
        return result;
    phases_finish(work->phases);
    result = departures_finish(work->departures);
    if (result == 0)
        result = requests_finish(work->requests, record->to_s);
    return result < 0 ? result : take_changes(work);
}

/* ---- pass 2 ---- */

static int collect(const struct work *work, struct evidence *evidence) {
    const struct record *record = work->record;
    int result = record->seek(record->context, evidence->window->from_s);
    struct record_run run;
    while (result >= 0 && (result = record->next(record->context, &run)) > 0 &&
           run.time_s < evidence->window->to_s)
        result = evidence_push(evidence, &run);
    return result < 0 ? result : evidence_finish(evidence);
}

static struct window window_of(const struct work *work, size_t index) {
    const struct record *record = work->record;
    struct window window = {
        .vehicle = record->vehicle,
        .limits = work->limits,
        .from_s = record->from_s,
        .to_s = record->to_s + 1.0,
        .engaged_s = (double)NAN,
        .released_s = (double)NAN,
        .phases = work->analysis->phases,
        .phase_count = work->analysis->phase_count,
    };
    if (work->attempt_count == 0)
        return window;
    window.attempt = (unsigned)index + 1;
    window.engaged_s = work->attempts[index].from_s;
    window.released_s = work->attempts[index].to_s;
    if (index > 0)
        window.from_s = work->attempts[index].phase_s;
    if (index + 1 < work->attempt_count)
        window.to_s = work->attempts[index + 1].phase_s;
    return window;
}

struct speed_told {
    bool known;
    double rpm, low, high;
    size_t channel;
};

/* Was the wheel behind that signal given, so that its turn is beyond doubt? */
static bool wheel_given(const struct vehicle *vehicle, size_t channel) {
    size_t sensor = vehicle_sensor_of_channel(vehicle, channel);
    return sensor != CHANNEL_NONE && vehicle->sensors[sensor].wheel.places > 0;
}

/*
 * By the edges of a wheel, or else by the ripple of the compressions. A wheel that was learnt may
 * be a part or a multiple of the true one: where the compressions tell another speed, they are
 * right.
 */
static void fill_speed(struct evidence *evidence, struct analysis_attempt *attempt) {
    struct speed_told wheel = {false, (double)NAN, (double)NAN, (double)NAN, CHANNEL_NONE};
    struct speed_told ripple = wheel;
    wheel.known = wheel_sensors_rpm(evidence->window, evidence->tracks, &wheel.rpm, &wheel.low,
                                    &wheel.high, &wheel.channel);
    bool given = wheel.known && wheel_given(evidence->window->vehicle, wheel.channel);
    if (!given)
        ripple.known = evidence_ripple_speed(evidence, &ripple.rpm, &ripple.low, &ripple.high,
                                             &ripple.channel);
    bool differ = fabs(ripple.rpm - wheel.rpm) > RIPPLE_AGREES * ripple.rpm;
    const struct speed_told *told = wheel.known && !(ripple.known && differ) ? &wheel : &ripple;
    evidence->has_speed = told->known;
    evidence->speed_certain = given || (wheel.known && ripple.known && !differ);
    attempt->rpm = evidence->rpm = told->rpm;
    attempt->rpm_low = told->low;
    attempt->rpm_high = told->high;
    evidence->speed_channel = told->channel;
    if (told->known)
        attempt->rpm_source = evidence->window->vehicle->channels[told->channel].name;
}

/* Crank speed and outcome: what the judges need besides the samples. */
static void fill_attempt(struct work *work, size_t index, struct evidence *evidence,
                         struct analysis_attempt *attempt) {
    const struct attempt *found = &work->attempts[index];
    attempt->number = (unsigned)index + 1;
    attempt->from_s = found->from_s;
    attempt->to_s = found->to_s;
    attempt->verdict = result_empty_verdict();
    attempt->outcome = attempts_outcome(found, work->analysis->phases, work->analysis->phase_count,
                                        work->limits, work->record->to_s,
                                        evidence_follows_engine(evidence), &attempt->cut_short);
    if (attempt->outcome != OUTCOME_STARTED && evidence_locked(evidence))
        attempt->outcome = OUTCOME_DID_NOT_CRANK;
    evidence->outcome = attempt->outcome;
    fill_speed(evidence, attempt);
}

static int describe(struct work *work, size_t index, struct evidence *evidence) {
    struct analysis_verdict *verdict = &work->analysis->verdict;
    if (work->attempt_count > 0) {
        struct analysis_attempt *attempt = result_add_attempt(work->analysis);
        if (attempt == NULL)
            return -ENOMEM;
        fill_attempt(work, index, evidence, attempt);
        int result = speed_curve_fill(evidence, attempt);
        if (result != 0)
            return result;
        verdict = &attempt->verdict;
    }
    int result = wheel_forms_add(evidence, work->analysis);
    if (result == 0)
        result = checks_add(evidence->survey, evidence->window->attempt, work->analysis);
    return result == 0 ? verdict_draw(evidence, work->analysis, verdict) : result;
}

static int look_at_window(struct work *work, size_t index) {
    struct window window = window_of(work, index);
    size_t departure_count;
    const struct departure *departures = departures_list(work->departures, &departure_count);
    struct evidence *evidence = NULL;
    int result = evidence_new(&window, departures, departure_count, &evidence);
    if (result == 0)
        result = collect(work, evidence);
    if (result == 0)
        result = describe(work, index, evidence);
    evidence_free(evidence);
    return result;
}

/* ---- the attempt that matters most ---- */

/* A fault before none; a failed attempt before one whose end is not known, that before a good one.
 */
static int weight(const struct analysis_attempt *attempt) {
    bool fault = attempt->verdict.fault != FAULT_NOTHING_FOUND;
    bool started = attempt->outcome == OUTCOME_STARTED;
    bool unknown =
        attempt->outcome == OUTCOME_UNKNOWN || attempt->outcome == OUTCOME_RELEASED_EARLY;
    return (fault ? 3 : 0) + (started ? 0 : unknown ? 1 : 2);
}

static int choose_verdict(struct analysis *analysis) {
    const struct analysis_attempt *chosen = NULL;
    for (size_t i = 0; i < analysis->attempt_count; i++)
        if (chosen == NULL || weight(&analysis->attempts[i]) >= weight(chosen))
            chosen = &analysis->attempts[i];
    if (chosen == NULL)
        return 0; /* the whole record's stands there already */
    analysis->verdict_attempt = chosen->number;
    return result_copy_verdict(&chosen->verdict, &analysis->verdict);
}

static int second_pass(struct work *work) {
    struct analysis *analysis = work->analysis;
    const struct vehicle *vehicle = work->record->vehicle;
    bool can_see = vehicle_channel_by_role(vehicle, ROLE_BATTERY) != CHANNEL_NONE ||
                   vehicle_channel_by_role(vehicle, ROLE_STARTER_CURRENT) != CHANNEL_NONE;
    size_t count;
    const struct request *requests = requests_list(work->requests, &count);
    int result = attempts_find(analysis->phases, analysis->phase_count, requests, count, can_see,
                               &work->attempts, &work->attempt_count);
    size_t windows = work->attempt_count > 0 ? work->attempt_count : 1;
    for (size_t i = 0; i < windows && result == 0; i++) {
        result = look_at_window(work, i);
        tell(work, 0.5 + 0.5 * (double)(i + 1) / (double)windows);
    }
    return result == 0 ? choose_verdict(analysis) : result;
}

int analysis_run(const struct record *record, const struct limits *limits,
                 void (*progress)(void *context, double share), void *context,
                 struct analysis **result) {
    struct work work = {
        .record = record, .limits = limits, .progress = progress, .context = context};
    int error = -ENOMEM;
    work.analysis = calloc(1, sizeof *work.analysis);
    if (work.analysis == NULL)
        return error;
    work.analysis->verdict = result_empty_verdict();
    error = phases_new(record->vehicle, limits, &work.phases);
    if (error == 0)
        error = departures_new(record->vehicle, limits, &work.departures);
    if (error == 0)
        error = requests_new(record->vehicle, &work.requests);
    if (error == 0)
        error = first_pass(&work);
    if (error == 0)
        error = second_pass(&work);
    free(work.attempts);
    requests_free(work.requests);
    departures_free(work.departures);
    phases_free(work.phases);
    if (error == 0)
        *result = work.analysis;
    else
        analysis_free(work.analysis);
    return error;
}
