// SPDX-License-Identifier: Apache-2.0
/*
 * pulse_judge.c - from the events along the wheels' tracks, and spikes beside them, to candidates.
 */
#include "pulse_judge.h"

#include "cam_step.h"
#include "long_gap.h"
#include "result.h"
#include "sorted.h"
#include "texts.h"
#include "wheel_phase.h"
#include "words.h"

#include <math.h>

#define START_S            0.1    /* from rest the first pulses are still finding their place */
#define CATCH_S            1.0    /* before and behind the release of a starter that succeeds */
#define GAP_MOST_S         0.6    /* a longer silence is a signal lost, not pulses missed */
#define SPIKE_S            0.0004 /* no tooth passes so fast while a starter turns the engine */
#define SPIKE_SAMPLES      1.5 /*   nor is one told by fewer samples than that, where others take */
#define SPIKE_SHARE        0.2 /*   much longer: this part of the usual shorter state */
#define FEWEST_SPIKES      2
#define MISCOUNTED_DEGREES 3.0
#define MOST_DEGREES       60.0 /* what seems to move by more is a turn counted wrong */
#define CAM_EDGES          256
/* Common practice, no source: */
#define FEWEST_STEPS  40  /* pulses that a learnt wheel is borne out by */
#define SPEED_AGREES  0.1 /* of the compressions' speed */
#define LONG_MOST_S   0.6 /* silent for longer is lost (silence.h) */
#define OWN_PULSES    3   /* no wheel lacks more teeth in a row */
#define OWN_WANDER    0.1 /* a turn takes as long as the one before, but for this part */
#define OWN_TURNS     2.0 /* from rest the first turn is slow, and its gap not followed */
#define SPIKE_AROUND  12  /* states on either side */
#define FEWEST_AROUND 8
#define STEP_START_S  0.5 /* from rest the speed changes much from tooth to tooth */

/* All gaps of one signal while the starter turned: of an engine that runs too little is sure. */
struct tally {
    size_t events, pulses;
    double last_s, due_s; /* of the first: its last edge before, and when the next was due */
    double to_s;          /* the last one is over */
    enum phase phase;
};

/* An engine that catches leaps from speed to speed. */
static bool catches(const struct evidence *evidence, double at_s) {
    bool runs =
        evidence->outcome == OUTCOME_STARTED || evidence->outcome == OUTCOME_STARTED_THEN_STOPPED;
    return runs && fabs(at_s - evidence->window->released_s) < CATCH_S;
}

static bool counts(const struct evidence *evidence, const struct wheel_event *event,
                   enum phase *phase) {
    const struct window *window = evidence->window;
    *phase = window_phase_at(window, event->due_s);
    if (event->slowing || isnan(event->last_s) || catches(evidence, event->due_s))
        return false;
    return *phase == PHASE_CRANKING && event->due_s > window->engaged_s + START_S;
}

/* Pulses left out: between teeth, or (where no turn is known) for a moment altogether. */
static bool is_gap(const struct wheel_event *event) {
    return event->kind == WHEEL_MISSING ||
           (event->kind == WHEEL_BREAK && event->resumed_s - event->last_s < GAP_MOST_S);
}

/*
 * A pulse that is missing where another is too many came at another time: that is no gap. As many
 * of both in a turn are a wheel that is followed from the wrong place.
 */
static bool is_misplaced(const struct wheel_track *track, size_t index) {
    const struct wheel_event *missing = &track->events[index];
    double turn_s = track->has_speed ? 60.0 * track->crank_turns / track->rpm : 0.0;
    for (size_t i = 0; i < track->event_count; i++) {
        const struct wheel_event *event = &track->events[i];
        bool inside = event->due_s > missing->last_s && event->due_s < missing->resumed_s;
        bool of_turn = event->pulses == missing->pulses && event->pulses > 1 &&
                       fabs(event->due_s - missing->due_s) < turn_s;
        if (event->kind == WHEEL_EXTRA && (inside || of_turn))
            return true;
    }
    return false;
}

static bool is_alike(const struct wheel_event *one, const struct wheel_event *other) {
    return is_gap(one) && is_gap(other) && one->pulses == other->pulses;
}

/* Is that a turn, and did the first gap like it come with the first turns? */
static bool is_from_first(const struct evidence *evidence, const struct wheel_track *track,
                          const struct wheel_event *gap, double turn_s) {
    double slowest_s = track->crank_turns * 60.0 / evidence->window->limits->slow_crank;
    const struct wheel_event *first = track->events;
    while (!is_alike(gap, first))
        first++;
    return turn_s < slowest_s &&
           first->last_s < evidence->window->engaged_s + START_S + OWN_TURNS * turn_s;
}

/*
 * Where the turn is not known, the wheel's own gap looks like missing pulses; but it is always as
 * long, and comes back every turn from the first on: one before and one behind, or two on one side,
 * as far apart.
 */
static bool is_own_gap(const struct evidence *evidence, const struct wheel_track *track,
                       const struct wheel_event *gap) {
    if (track->pattern.turn_known || gap->pulses > OWN_PULSES || !is_gap(gap))
        return false;
    if (gap->pulses == 1) /* so most wheels are marked, and few turns show that it comes back */
        return true;
    for (size_t i = 0; i < track->event_count; i++) {
        for (size_t k = i + 1; k < track->event_count; k++) {
            const struct wheel_event *one = &track->events[i];
            const struct wheel_event *other = &track->events[k];
            if (one == gap || other == gap || !is_alike(gap, one) || !is_alike(gap, other))
                continue;
            double early_s = fmin(one->last_s, gap->last_s);
            double late_s = fmax(other->last_s, gap->last_s);
            double middle_s = one->last_s + other->last_s + gap->last_s - early_s - late_s;
            double turn_s = middle_s - early_s;
            if (fabs(late_s - middle_s - turn_s) < OWN_WANDER * turn_s &&
                is_from_first(evidence, track, gap, turn_s))
                return true;
        }
    }
    return false;
}

/*
 * Of a wheel that was learnt from the same pulses only a pattern that is borne out says what is
 * missing: many of its pulses followed, each state seen in enough samples, and a speed that the
 * compressions do not contradict.
 */
static bool may_miss(const struct evidence *evidence, size_t sensor,
                     const struct wheel_track *track) {
    const struct vehicle_sensor *of = &evidence->window->vehicle->sensors[sensor];
    if (of->wheel.places > 0)
        return true;
    if (of->kind == SENSOR_INDUCTIVE)
        return false; /* at slow moments a winding shows some teeth and some not */
    double rpm;
    double low;
    double high;
    size_t teller;
    double period_s = survey_reading(evidence->survey, of->signal, PHASE_CRANKING)->period_s;
    bool contradicted = track->has_speed &&
                        evidence_ripple_speed(evidence, &rpm, &low, &high, &teller) &&
                        fabs(rpm - track->rpm) > SPEED_AGREES * rpm;
    return track->path.count >= FEWEST_STEPS && !contradicted &&
           evidence->outcome != OUTCOME_RELEASED_EARLY &&
           track->shortest_state_s >= evidence->window->limits->samples_per_state * period_s;
}

static struct tally tally_gaps(const struct evidence *evidence, size_t sensor,
                               const struct wheel_track *track) {
    struct tally tally = {0};
    for (size_t i = 0; i < track->event_count; i++) {
        const struct wheel_event *event = &track->events[i];
        enum phase phase;
        if (!is_gap(event) || is_misplaced(track, i) || is_own_gap(evidence, track, event) ||
            !counts(evidence, event, &phase))
            continue;
        if (tally.events == 0) {
            tally.last_s = event->last_s;
            tally.due_s = event->due_s;
            tally.phase = phase;
        }
        tally.events++;
        tally.pulses += event->pulses;
        tally.to_s = event->resumed_s;
    }
    bool given = evidence->window->vehicle->sensors[sensor].wheel.places > 0;
    if (!given && tally.pulses == 1)
        return (struct tally){0}; /* a wheel that was learnt may be followed wrong once */
    return tally;
}

/* Where nothing is known of the wheel: what stands out of all that comes back every turn. */
static struct tally tally_long_gaps(const struct evidence *evidence, size_t sensor, int *error) {
    const struct vehicle_sensor *of = &evidence->window->vehicle->sensors[sensor];
    bool given = of->wheel.places > 0;
    if (of->wheel.missing > 0)
        return (struct tally){0}; /* it was held against its own gaps already */
    if (of->kind == SENSOR_INDUCTIVE || !evidence->has_speed ||
        (evidence->speed_channel == of->signal && !given))
        return (struct tally){0};
    double turn_s = (of->shaft == SHAFT_CAM ? 120.0 : 60.0) / evidence->rpm;
    double from_s = evidence->window->engaged_s + STEP_START_S;
    double to_s =
        evidence->window->released_s - (evidence->outcome == OUTCOME_STARTED ? CATCH_S : 0.0);
    struct long_gaps found;
    int result = long_gaps_find(evidence->pulses[of->signal], from_s, to_s, turn_s,
                                fmax(LONG_MOST_S, 2.0 * turn_s), &found);
    if (result != 0) {
        *error = result;
        return (struct tally){0};
    }
    return (struct tally){.events = found.count,
                          .last_s = found.last_s,
                          .due_s = found.due_s,
                          .to_s = found.resumed_s,
                          .phase = PHASE_CRANKING};
}

static struct candidate *add(const struct evidence *evidence, size_t sensor, enum fault fault,
                             const struct tally *tally, struct candidates *candidates) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    struct candidate *candidate =
        candidates_add(candidates, fault, vehicle->sensors[sensor].signal, sensor);
    if (candidate == NULL)
        return NULL;
    candidate->from_s = tally->last_s;
    candidate->from_until_s = tally->due_s;
    candidate->to_s = tally->to_s;
    /* of a wheel that was learnt from the same pulses */
    bool given = vehicle->sensors[sensor].wheel.places > 0;
    candidate->certainty = given ? CERTAINTY_SHOWN : CERTAINTY_LIKELY;
    if (tally->events > 1)
        result_say(&candidates->error, &candidate->because, TEXT_GAPS_PLACES, tally->events);
    return candidate;
}

static void say_sensor(const struct vehicle_sensor *sensor, const char *name,
                       struct candidate *candidate, int *error) {
    result_say(error, &candidate->alternatives, TEXT_SIGNAL_WIRE, name);
    result_say(error, &candidate->alternatives, TEXT_SIGNAL_SENSOR, sensor->name);
    result_say(error, &candidate->alternatives, TEXT_SIGNAL_CARRIER);
    result_say(error, &candidate->alternatives, TEXT_PROBE);
    result_say(error, &candidate->next, TEXT_SIGNAL_NEXT, name);
}

static void add_gaps(const struct evidence *evidence, size_t sensor, const struct tally *tally,
                     struct candidates *candidates) {
    struct candidate *candidate = add(evidence, sensor, FAULT_SIGNAL_GAPS, tally, candidates);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    const struct vehicle *vehicle = evidence->window->vehicle;
    const struct vehicle_channel *of = &vehicle->channels[candidate->channel];
    const char *at = words_place(of->measured_at);
    const char *when = words_phase(tally->phase);
    candidate->observed =
        tally->pulses == 0 ? result_sentence(error, TEXT_GAPS_LONG, of->name, at, when)
                           : result_sentence(error, TEXT_GAPS, of->name, tally->pulses, at, when);
    candidate->text = result_sentence(error, TEXT_GAPS_SHORT, of->name);
    result_say(error, &candidate->because, TEXT_GAPS_FIRST,
               tally->due_s - evidence->window->engaged_s);
    if (tally->pulses > 0)
        result_say(error, &candidate->because, TEXT_GAPS_WHEEL);
    say_sensor(&vehicle->sensors[sensor], of->name, candidate, error);
}

/* ---- spikes ---- */

struct spikes {
    size_t count;
    double last_s, first_s; /* the edge before the first, and the first */
    double widest_s, to_s;
    enum phase phase;
};

/*
 * Far shorter than the states around it: than the one that a quarter of them is longer than, so
 * that neither a wheel's gap nor other spikes set the measure.
 */
static bool stands_out(const struct pulse *list, size_t count, size_t i) {
    double widths[2 * SPIKE_AROUND];
    size_t kept = 0;
    size_t from = i > SPIKE_AROUND ? i - SPIKE_AROUND : 0;
    for (size_t k = from; k + 1 < count && k < from + 2 * SPIKE_AROUND; k++)
        if (k != i)
            widths[kept++] = list[k + 1].at_s - list[k].at_s;
    if (kept < FEWEST_AROUND)
        return false;
    sorted_order(widths, kept);
    return list[i + 1].at_s - list[i].at_s < SPIKE_SHARE * widths[kept * 3 / 4];
}

static struct spikes find_spikes(const struct evidence *evidence, size_t channel) {
    const struct pulses *pulses = evidence->pulses[channel];
    struct spikes spikes = {0};
    size_t count;
    const struct pulse *list = pulses_list(pulses, &count);
    double narrow_s = fmax(SPIKE_S, SPIKE_SAMPLES * pulses_period_s(pulses));
    for (size_t i = pulses_after(pulses, evidence->window->engaged_s); i + 1 < count; i++) {
        double width_s = list[i + 1].at_s - list[i].at_s;
        enum phase phase = window_phase_at(evidence->window, list[i].at_s);
        if (width_s >= narrow_s || list[i + 1].first_state || phase != PHASE_CRANKING || i == 0 ||
            catches(evidence, list[i].at_s) || !stands_out(list, count, i))
            continue;
        if (spikes.count++ == 0) {
            spikes.last_s = list[i - 1].at_s;
            spikes.first_s = list[i].at_s;
            spikes.phase = phase;
        }
        spikes.widest_s = fmax(spikes.widest_s, width_s);
        spikes.to_s = list[i + 1].at_s;
        i++; /* the edge that ends it begins no other */
    }
    return spikes;
}

static void add_noise(const struct evidence *evidence, size_t sensor, const struct spikes *spikes,
                      struct candidates *candidates) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    size_t signal = vehicle->sensors[sensor].signal;
    struct candidate *candidate = candidates_add(candidates, FAULT_SIGNAL_NOISE, signal, sensor);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    const struct vehicle_channel *of = &vehicle->channels[signal];
    candidate->from_s = spikes->last_s;
    candidate->from_until_s = spikes->first_s;
    candidate->to_s = spikes->to_s;
    candidate->certainty = CERTAINTY_SHOWN;
    candidate->observed = result_sentence(error, TEXT_NOISE, of->name, spikes->count,
                                          words_place(of->measured_at), words_phase(spikes->phase));
    candidate->text = result_sentence(error, TEXT_NOISE_SHORT, of->name);
    result_say(error, &candidate->because, TEXT_NOISE_FIRST,
               spikes->first_s - evidence->window->engaged_s, 1e3 * spikes->widest_s);
    result_say(error, &candidate->alternatives, TEXT_NOISE_COUPLED);
    result_say(error, &candidate->alternatives, TEXT_PROBE);
    result_say(error, &candidate->next, TEXT_NOISE_NEXT, of->name);
}

/* ---- crank and cam ---- */

/* A movement of the cam's edges, by either way of looking at it. */
struct movement {
    struct cam_step step;
    double from_degrees, to_degrees; /* NAN: no more is known than how far */
};

static void add_out_of_step(const struct evidence *evidence, size_t crank, size_t cam,
                            const struct movement *movement, struct candidates *candidates) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    size_t signal = vehicle->sensors[cam].signal;
    if (candidates_have(candidates, FAULT_OUT_OF_STEP, signal))
        return;
    struct candidate *candidate = candidates_add(candidates, FAULT_OUT_OF_STEP, signal, cam);
    if (candidate == NULL)
        return;
    int *error = &candidates->error;
    const char *name = vehicle->channels[signal].name;
    candidate->from_s = movement->step.from_s;
    candidate->from_until_s = movement->step.to_s;
    candidate->extreme = movement->step.degrees;
    candidate->unit = "degrees";
    candidate->certainty = CERTAINTY_SHOWN;
    candidate->observed =
        result_sentence(error, TEXT_STEP, vehicle->channels[vehicle->sensors[crank].signal].name,
                        name, fabs(movement->step.degrees));
    candidate->text = result_sentence(error, TEXT_STEP_SHORT);
    if (!isnan(movement->from_degrees))
        result_say(error, &candidate->because, TEXT_STEP_FROM_TO, name, movement->from_degrees,
                   movement->to_degrees);
    result_say(error, &candidate->alternatives, TEXT_STEP_CHAIN);
    result_say(error, &candidate->alternatives, TEXT_STEP_SENSOR);
    result_say(error, &candidate->next, TEXT_STEP_NEXT);
}

/* By the wheels as followed; false with `*error` where memory is short. */
static bool moved_by_wheels(const struct evidence *evidence, size_t crank, size_t cam,
                            struct movement *movement, int *error) {
    struct wheel_phase *phase = NULL;
    int result = wheel_phase_new(evidence->tracks[crank], evidence->tracks[cam], &phase);
    if (result != 0) {
        *error = result;
        return false;
    }
    bool moved = phase->moved;
    if (moved)
        *movement = (struct movement){{phase->moved_from_s, phase->moved_to_s, phase->moved_by},
                                      phase->from_degrees,
                                      phase->to_degrees};
    wheel_phase_free(phase);
    return moved;
}

/* By the few edges of a cam whose wheel could not be learnt, while the starter turned. */
static bool moved_by_edges(const struct evidence *evidence, size_t crank, size_t cam,
                           struct movement *movement) {
    double turns[CAM_EDGES];
    double times[CAM_EDGES];
    size_t kept = 0;
    size_t count;
    size_t first_stretch = 0;
    const struct pulses *pulses = evidence->pulses[evidence->window->vehicle->sensors[cam].signal];
    const struct pulse *list = pulses_list(pulses, &count);
    size_t end = pulses_after(pulses, evidence->window->released_s);
    for (size_t i = pulses_after(pulses, evidence->window->engaged_s + STEP_START_S); i < end;
         i++) {
        size_t stretch;
        if (!list[i].rises || kept == CAM_EDGES ||
            !wheel_track_position(evidence->tracks[crank], list[i].at_s, &turns[kept], &stretch))
            continue;
        if (kept == 0)
            first_stretch = stretch;
        if (stretch == first_stretch)
            times[kept++] = list[i].at_s;
    }
    movement->from_degrees = movement->to_degrees = (double)NAN;
    /* a winding's zeros wander with the speed, and its swing with what is found of it */
    bool hall = evidence->window->vehicle->sensors[cam].kind == SENSOR_HALL;
    return hall && evidence->tracks[crank]->pattern.turn_known &&
           cam_step_find(turns, times, kept, &movement->step);
}

/* On a wheel without a mark a pulse too many or too few moves every place by a tooth. */
static bool is_miscounted(const struct wheel_pattern *crank, double degrees) {
    double pitch = 360.0 / (double)crank->edges;
    return !crank->marked && fabs(remainder(degrees, pitch)) < MISCOUNTED_DEGREES;
}

static void judge_step(const struct evidence *evidence, size_t crank, size_t cam,
                       struct candidates *candidates) {
    struct movement movement;
    if (!moved_by_wheels(evidence, crank, cam, &movement, &candidates->error) &&
        !moved_by_edges(evidence, crank, cam, &movement))
        return;
    if (catches(evidence, movement.step.to_s) || fabs(movement.step.degrees) > MOST_DEGREES ||
        is_miscounted(&evidence->tracks[crank]->pattern, movement.step.degrees))
        return;
    /* while the engine runs, a cam may be adjusted on purpose */
    if (window_phase_at(evidence->window, movement.step.to_s) == PHASE_CRANKING)
        add_out_of_step(evidence, crank, cam, &movement, candidates);
}

static void judge_steps(const struct evidence *evidence, struct candidates *candidates) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        for (size_t k = 0; k < vehicle->sensor_count; k++) {
            if (vehicle->sensors[i].shaft == SHAFT_CRANK &&
                vehicle->sensors[k].shaft == SHAFT_CAM && evidence->tracks[i] != NULL &&
                evidence->tracks[k] != NULL)
                judge_step(evidence, i, k, candidates);
        }
    }
}

static void judge_sensor(const struct evidence *evidence, size_t sensor,
                         const struct wheel_track *track, struct candidates *candidates) {
    const struct vehicle_sensor *of = &evidence->window->vehicle->sensors[sensor];
    bool coil = of->kind == SENSOR_INDUCTIVE;
    struct spikes spikes = {0};
    if (!coil)
        spikes = find_spikes(evidence, of->signal);
    bool noisy = spikes.count >= FEWEST_SPIKES;
    struct tally gaps = {0};
    if (may_miss(evidence, sensor, track))
        gaps = tally_gaps(evidence, sensor, track);
    if (gaps.events == 0 && !noisy) /* between spikes, every pause is long */
        gaps = tally_long_gaps(evidence, sensor, &candidates->error);
    if (gaps.events > (coil ? 1 : 0)) /* a coil may miss one by itself */
        add_gaps(evidence, sensor, &gaps, candidates);
    if (noisy)
        add_noise(evidence, sensor, &spikes, candidates);
}

void pulse_judge(const struct evidence *evidence, struct candidates *candidates) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    if (isnan(evidence->window->engaged_s))
        return;
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        const struct wheel_track *track = evidence->tracks[i];
        if (track == NULL)
            continue;
        judge_sensor(evidence, i, track, candidates);
    }
    judge_steps(evidence, candidates);
}
