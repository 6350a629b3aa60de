// SPDX-License-Identifier: Apache-2.0
/*
 * pulse_judge.c - from the events along the wheels' tracks, and spikes beside them, to candidates.
 */
#include "pulse_judge.h"

#include "long_gap.h"
#include "result.h"
#include "spikes.h"
#include "texts.h"
#include "words.h"

#include <math.h>

#define START_S       0.1 /* from rest the first pulses are still finding their place */
#define GAP_MOST_S    0.6 /* a longer silence is a signal lost, not pulses missed */
#define FEWEST_SPIKES 2
/* Common practice, no source: */
#define FEWEST_STEPS    40  /* pulses that a learnt wheel is borne out by */
#define SPEED_AGREES    0.1 /* of the compressions' speed */
#define LONG_MOST_S     0.6 /* silent for longer is lost (silence.h) */
#define SETTLED_S       0.5 /* from rest the speed changes much from tooth to tooth */
#define FEWEST_OF_COIL  3   /* in a row: at slow moments a winding shows some teeth and some not */
#define OWN_PULSES      3   /* no wheel lacks more teeth in a row */
#define OWN_WANDER      0.1 /* a turn takes as long as the one before, but for this part */
#define OWN_TURNS_APART 3.0 /* so many turns running may a silence hide it */
#define OWN_TURNS       2.0 /* from rest the first turn is slow, and its gap not followed */

/* All gaps of one signal while the starter turned: of an engine that runs too little is sure. */
struct tally {
    size_t events, pulses;
    double last_s, due_s; /* of the first: its last edge before, and when the next was due */
    double to_s;          /* the last one is over */
    enum phase phase;
};

static bool counts(const struct evidence *evidence, const struct wheel_event *event,
                   enum phase *phase) {
    const struct window *window = evidence->window;
    *phase = window_phase_at(window, event->due_s);
    if (event->slowing || isnan(event->last_s) || evidence_catches(evidence, event->due_s))
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

/* Are two moments whole turns apart, and few of them? */
static bool are_turns_apart(double one_s, double other_s, double turn_s) {
    double turns = fabs(one_s - other_s) / turn_s;
    double whole = round(turns);
    return whole >= 1.0 && whole <= OWN_TURNS_APART && fabs(turns - whole) < OWN_WANDER * whole;
}

/* Besides two that are a turn apart there is a third; `gap` is any of the three. */
static bool is_third(const struct wheel_track *track, const struct wheel_event *gap,
                     const struct wheel_event *one, const struct wheel_event *other,
                     double turn_s) {
    for (size_t i = 0; i < track->event_count; i++) {
        const struct wheel_event *third = &track->events[i];
        bool among = gap == one || gap == other || gap == third;
        if (among && third != one && third != other && is_alike(gap, third) &&
            (are_turns_apart(third->last_s, one->last_s, turn_s) ||
             are_turns_apart(third->last_s, other->last_s, turn_s)))
            return true;
    }
    return false;
}

/*
 * Where the turn is not known, the wheel's own gap looks like missing pulses; but it is always as
 * long, and comes back every turn from the first on, unless a silence hides it: two like it are a
 * turn apart, and it is some turns off one of them.
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
            if (!is_alike(gap, one) || !is_alike(gap, other))
                continue;
            double turn_s = fabs(other->last_s - one->last_s);
            if (is_from_first(evidence, track, gap, turn_s) &&
                is_third(track, gap, one, other, turn_s))
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
    bool coil = evidence->window->vehicle->sensors[sensor].kind == SENSOR_INDUCTIVE;
    for (size_t i = 0; i < track->event_count; i++) {
        const struct wheel_event *event = &track->events[i];
        enum phase phase;
        if (!is_gap(event) || (coil && event->pulses < FEWEST_OF_COIL) || is_misplaced(track, i) ||
            is_own_gap(evidence, track, event) || !counts(evidence, event, &phase))
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
    double from_s = evidence->window->engaged_s + SETTLED_S;
    double to_s =
        evidence->window->released_s -
        (evidence_catches(evidence, evidence->window->released_s) ? EVIDENCE_CATCH_S : 0.0);
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

/* ---- all of it ---- */

static void judge_sensor(const struct evidence *evidence, size_t sensor,
                         const struct wheel_track *track, struct candidates *candidates) {
    const struct vehicle_sensor *of = &evidence->window->vehicle->sensors[sensor];
    bool coil = of->kind == SENSOR_INDUCTIVE;
    struct spikes spikes = {0};
    if (!coil)
        spikes = spikes_find(evidence, of->signal);
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
}
