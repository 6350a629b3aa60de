// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_events.c - pulses that are missing, too many, or gone, each held against its neighbours.
 */
#include "wheel_events.h"

#include "sorted.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define SUPPORT_LEAST 3 /* teeth on either side that must be there */
#define SUPPORT_MOST  8
#define LIKE_LEAST    0.7 /* of the same places a turn before or after: it was no longer */
#define LIKE_MOST     1.4
#define FASTEST       15000.0 /* rpm: no engine's */
#define NARROWEST_S   60e-6   /* between edges, where the turn is not known */
#define FEWEST_STEPS  4       /* a shorter stretch is no turning */
#define SLOWED        1.2     /* times as long as the turns before: it runs down */
#define PHASE_NEAR    0.04    /* of a turn, where the wheel must have got to, */
#define PHASE_WANDER  0.05    /*   and for every turn meanwhile */
#define PHASE_TURNS   4.0     /* beyond so many turns the place tells nothing */

struct finder {
    const struct wheel_signal *signal;
    const double *times;
    size_t count, room;
    struct wheel_track *track;
    int error;
};

static void add(struct finder *finder, struct wheel_event event) {
    struct wheel_track *track = finder->track;
    if (track->event_count == finder->room) {
        size_t room = finder->room == 0 ? 16 : 2 * finder->room;
        struct wheel_event *events = realloc(track->events, room * sizeof *events);
        if (events == NULL) {
            finder->error = -ENOMEM;
            return;
        }
        track->events = events;
        finder->room = room;
    }
    track->events[track->event_count++] = event;
}

/* Index of the first pulse not before `at_s`. */
static size_t pulse_at(const struct wheel_signal *signal, double at_s) {
    size_t low = 0;
    size_t high = signal->count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (signal->pulses[middle].at_s >= at_s)
            high = middle;
        else
            low = middle + 1;
    }
    return low;
}

/* ---- were there samples enough? ---- */

/* The shorter of the usual low and high states of a dozen pulses around. */
static double state_around(const struct wheel_signal *signal, double at_s) {
    double widths[2][32];
    size_t counts[2] = {0, 0};
    size_t middle = pulse_at(signal, at_s);
    size_t first = middle > 24 ? middle - 24 : 1;
    for (size_t i = first; i < middle + 24 && i < signal->count; i++) {
        const struct pulse *pulse = &signal->pulses[i];
        if (!pulse->first_state && counts[pulse->rises] < 32)
            widths[pulse->rises][counts[pulse->rises]++] = pulse->at_s - pulse[-1].at_s;
    }
    double shortest_s = HUGE_VAL;
    for (int i = 0; i < 2; i++) {
        sorted_order(widths[i], counts[i]);
        if (counts[i] > 0)
            shortest_s = fmin(shortest_s, widths[i][counts[i] / 2]);
    }
    return shortest_s;
}

/* Too few samples in a state: nothing is claimed, and the rate that would do can be asked for. */
static bool is_refused(struct finder *finder, double at_s) {
    double shortest_s = state_around(finder->signal, at_s);
    if (shortest_s >= finder->signal->samples_per_state * finder->signal->period_s)
        return false;
    finder->track->refused++;
    finder->track->refused_state_s = fmin(finder->track->refused_state_s, shortest_s);
    return true;
}

/* ---- references of like speed ---- */

/* The step of that tooth in the stretch of `near`, searched from there; NULL: not there. */
static const struct wheel_step *step_of(const struct wheel_path *path,
                                        const struct wheel_step *near, long tooth) {
    const struct wheel_step *step = near;
    const struct wheel_step *end = path->steps + path->count;
    while (step->tooth > tooth && step > path->steps && step[-1].stretch == near->stretch)
        step--;
    while (step->tooth < tooth && step + 1 < end && step[1].stretch == near->stretch)
        step++;
    return step->tooth == tooth ? step : NULL;
}

/* From one step to the next against the same places `turns` turns on, scaled; NAN: not there. */
static double against(const struct wheel_track *track, const struct wheel_step *step, long turns) {
    long edges = (long)track->pattern.edges;
    const struct wheel_step *from = step_of(&track->path, step, step->tooth + turns * edges);
    const struct wheel_step *to = step_of(&track->path, step, step[1].tooth + turns * edges);
    if (from == NULL || to == NULL || isnan(from->turn_s))
        return (double)NAN;
    double scale = turns < 0 ? step->turn_s / from->turn_s : step[1].turn_s / to->turn_s;
    return (step[1].at_s - step->at_s) / (scale * (to->at_s - from->at_s));
}

static bool is_like(double ratio) {
    return ratio > LIKE_LEAST && ratio < LIKE_MOST;
}

/* Enough teeth of the same stretch stand on either side of the way from one step to the next. */
static bool is_supported(const struct wheel_track *track, size_t step) {
    const struct wheel_path *path = &track->path;
    size_t wanted = track->pattern.edges / 8;
    wanted = wanted < SUPPORT_LEAST ? SUPPORT_LEAST : wanted > SUPPORT_MOST ? SUPPORT_MOST : wanted;
    return step + 1 >= wanted &&
           path->steps[step + 1 - wanted].stretch == path->steps[step].stretch &&
           step + wanted < path->count &&
           path->steps[step + wanted].stretch == path->steps[step].stretch;
}

/* ---- within a stretch ---- */

static double due_after(const struct wheel_track *track, const struct wheel_step *step) {
    return step->at_s + step->turn_s * track->pattern.share[wheel_place(&track->pattern, step)];
}

static void find_missing(struct finder *finder, size_t i) {
    struct wheel_track *track = finder->track;
    const struct wheel_step *step = &track->path.steps[i];
    if (step[1].tooth <= step->tooth + 1 || !is_supported(track, i))
        return;
    /* so many turns away the same places are clear of this gap */
    long turns = (step[1].tooth - step->tooth - 1) / (long)track->pattern.edges + 1;
    if (!is_like(against(track, step, -turns)) && !is_like(against(track, step, turns)))
        return;
    if (is_refused(finder, step->at_s))
        return;
    add(finder, (struct wheel_event){
                    .kind = WHEEL_MISSING,
                    .pulses = (size_t)(step[1].tooth - step->tooth - 1),
                    .last_s = step->at_s,
                    .due_s = due_after(track, step),
                    .resumed_s = step[1].at_s,
                    .width_s = (double)NAN,
                });
}

/* Width of the pulse that an edge which is no tooth's ends, or else begins. */
static double width_at(const struct wheel_signal *signal, double at_s) {
    size_t i = pulse_at(signal, at_s);
    double before_s = i > 0 ? at_s - signal->pulses[i - 1].at_s : HUGE_VAL;
    double after_s = i + 1 < signal->count ? signal->pulses[i + 1].at_s - at_s : HUGE_VAL;
    return fmin(before_s, after_s);
}

static struct wheel_event extra(const struct finder *finder, size_t from, size_t to, double last_s,
                                double resumed_s) {
    struct wheel_event event = {
        .kind = WHEEL_EXTRA,
        .pulses = to - from,
        .last_s = last_s,
        .due_s = finder->times[from],
        .resumed_s = resumed_s,
    };
    for (size_t i = from; i < to; i++)
        event.width_s = fmax(event.width_s, width_at(finder->signal, finder->times[i]));
    return event;
}

static void find_extra(struct finder *finder, size_t i) {
    const struct wheel_step *step = &finder->track->path.steps[i];
    if (step[1].edge == step->edge + 1 || !is_supported(finder->track, i) ||
        is_refused(finder, step->at_s))
        return;
    add(finder, extra(finder, step->edge + 1, step[1].edge, step->at_s, step[1].at_s));
}

/* ---- between stretches ---- */

struct stretch {
    size_t first, last; /* steps */
};

/* Edges faster than any engine's are a disturbance. */
static bool is_turning(const struct wheel_track *track, const struct stretch *stretch) {
    const struct wheel_step *first = &track->path.steps[stretch->first];
    const struct wheel_step *last = &track->path.steps[stretch->last];
    size_t intervals = stretch->last - stretch->first;
    double seconds = last->at_s - first->at_s;
    if (intervals + 1 < FEWEST_STEPS && intervals < track->pattern.edges)
        return false;
    if (!track->pattern.turn_known)
        return seconds > NARROWEST_S * (double)intervals;
    double turns = (double)(last->tooth - first->tooth) / (double)track->pattern.edges;
    return 60.0 * track->crank_turns * turns < FASTEST * seconds;
}

/* How long the turn took that ended `turns` turns before a step; NAN: not seen. */
static double turn_before(const struct wheel_track *track, const struct wheel_step *last,
                          long turns) {
    long edges = (long)track->pattern.edges;
    const struct wheel_step *to = step_of(&track->path, last, last->tooth - turns * edges);
    const struct wheel_step *from = step_of(&track->path, last, last->tooth - (turns + 1) * edges);
    return to == NULL || from == NULL ? (double)NAN : to->at_s - from->at_s;
}

/*
 * Did the wheel slow down as an engine that runs down? Its last turn was longer than each of the
 * two before (cylinders that fire unevenly recur after two), and it was slower still at the end.
 */
static bool is_slowing(const struct wheel_track *track, const struct stretch *stretch) {
    const struct wheel_step *last = &track->path.steps[stretch->last];
    double turn_s = turn_before(track, last, 0);
    double before_s = turn_before(track, last, 1);
    double first_s = turn_before(track, last, 2);
    if (isnan(before_s))
        return false;
    return turn_s > SLOWED * fmax(before_s, isnan(first_s) ? before_s : first_s) &&
           last->turn_s > turn_s;
}

static double position(const struct wheel_track *track, const struct wheel_step *step) {
    double before = 0.0;
    for (size_t i = 0; i < wheel_place(&track->pattern, step); i++)
        before += track->pattern.share[i];
    return before;
}

/* The silence between two stretches: how many teeth went by, and are they where they should be? */
static void span_break(const struct wheel_track *track, const struct wheel_step *last,
                       const struct wheel_step *next, struct wheel_event *event) {
    const struct wheel_step *later = next + 1; /* the first has no speed yet */
    double turns = (next->at_s - last->at_s) * (1.0 / last->turn_s + 1.0 / later->turn_s) / 2.0;
    double off = position(track, last) + turns - position(track, next);
    off -= round(off);
    double pulses = (turns - off) * (double)track->pattern.edges - 1.0;
    event->pulses = pulses > 0.0 ? (size_t)lrint(pulses) : 0;
    event->in_phase = turns <= PHASE_TURNS && fabs(off) < PHASE_NEAR + PHASE_WANDER * turns;
}

static bool hole_within(const struct wheel_signal *signal, double from_s, double to_s) {
    for (size_t i = 0; i < signal->hole_count; i++)
        if (signal->holes[i].to_s > from_s && signal->holes[i].from_s < to_s)
            return true;
    return false;
}

/* A stretch of turning ends; `next` is the one behind, NULL: none. */
static void find_end(struct finder *finder, const struct stretch *stretch,
                     const struct stretch *next) {
    struct wheel_track *track = finder->track;
    const struct wheel_step *last = &track->path.steps[stretch->last];
    const struct wheel_step *again = next == NULL ? NULL : &track->path.steps[next->first];
    double due_s = due_after(track, last);
    double certain_s = last->at_s + wheel_silence_s(&track->pattern, last->turn_s);
    double until_s = again == NULL ? finder->signal->to_s : again->at_s;
    if (until_s < certain_s || hole_within(finder->signal, last->at_s, certain_s))
        return;
    struct wheel_event event = {
        .kind = again == NULL ? WHEEL_LOST : WHEEL_BREAK,
        .last_s = last->at_s,
        .due_s = due_s,
        .resumed_s = again == NULL ? (double)NAN : again->at_s,
        .width_s = (double)NAN,
        .slowing = is_slowing(track, stretch),
    };
    if (again != NULL && !hole_within(finder->signal, last->at_s, again->at_s))
        span_break(track, last, again, &event);
    add(finder, event);
}

static void find_burst(struct finder *finder, const struct stretch *stretch) {
    const struct wheel_path *path = &finder->track->path;
    const struct wheel_step *first = &path->steps[stretch->first];
    const struct wheel_step *last = &path->steps[stretch->last];
    bool behind = stretch->last + 1 < path->count;
    if (is_refused(finder, first->at_s))
        return;
    add(finder, extra(finder, first->edge, last->edge + 1,
                      stretch->first > 0 ? first[-1].at_s : (double)NAN,
                      behind ? last[1].at_s : (double)NAN));
}

/* The stretch that begins with a step. */
static struct stretch stretch_at(const struct wheel_path *path, size_t first) {
    struct stretch stretch = {first, first};
    while (stretch.last + 1 < path->count &&
           path->steps[stretch.last + 1].stretch == path->steps[first].stretch)
        stretch.last++;
    return stretch;
}

/*
 * Do the pulses that seem missing recur after the same number of edges, all along? On a wheel whose
 * turn nobody knows, that is the wheel's own gap, which the learning took for a fault.
 */
static bool is_gap_of_wheel(const struct wheel_track *track) {
    const struct wheel_path *path = &track->path;
    size_t first = 0; /* edge of the turning */
    size_t edges = 0;
    size_t gap = 0;
    size_t gaps = 0;
    for (size_t i = 0; i + 1 < path->count; i++) {
        const struct wheel_step *step = &path->steps[i];
        bool breaks = step[1].stretch != step->stretch;
        if (breaks && gaps == 0 && step->edge - first + 1 < FEWEST_STEPS)
            first = step[1].edge;
        if (first > step->edge || (!breaks && step[1].tooth == step->tooth + 1))
            continue;
        if (gaps == 1)
            edges = step->edge - gap;
        if ((gaps > 1 && step->edge - gap != edges) || (gaps == 1 && gap - first > edges))
            return false; /* it came otherwise, or would have come before */
        gap = step->edge;
        gaps++;
    }
    return gaps > 1 && path->steps[path->count - 1].edge - gap <= edges;
}

static void drop_missing(struct wheel_track *track) {
    size_t kept = 0;
    for (size_t i = 0; i < track->event_count; i++) {
        const struct wheel_event *event = &track->events[i];
        if (event->kind != WHEEL_MISSING && event->kind != WHEEL_BREAK)
            track->events[kept++] = *event;
    }
    track->event_count = kept;
}

int wheel_events_find(const struct wheel_signal *signal, const double *times, size_t count,
                      struct wheel_track *track) {
    struct finder finder = {.signal = signal, .times = times, .count = count, .track = track};
    struct stretch turning = {0, 0};
    bool has_turned = false;
    for (size_t first = 0; first < track->path.count && finder.error == 0;) {
        struct stretch stretch = stretch_at(&track->path, first);
        first = stretch.last + 1;
        if (!is_turning(track, &stretch)) {
            find_burst(&finder, &stretch);
            continue;
        }
        if (has_turned)
            find_end(&finder, &turning, &stretch);
        for (size_t i = stretch.first; i < stretch.last && finder.error == 0; i++) {
            find_missing(&finder, i);
            find_extra(&finder, i);
        }
        turning = stretch;
        has_turned = true;
    }
    if (has_turned)
        find_end(&finder, &turning, NULL);
    if (finder.error == 0 && !track->pattern.turn_known && is_gap_of_wheel(track))
        drop_missing(track);
    return finder.error;
}
