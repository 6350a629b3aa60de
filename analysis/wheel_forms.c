// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_forms.c - medians over the turns of a wheel, and of the places of a cam's edges.
 */
#include "wheel_forms.h"

#include "result.h"
#include "sorted.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

/* Common practice, no source: */
#define START_S      0.3 /* from rest the speed changes much from tooth to tooth */
#define RUNNING_S    0.5 /* so long after the engine has come to run, */
#define RUNNING_TO_S 5.0 /*   and so long at most */
#define FEW_TURNS    3U
#define MOST_TURNS   200U
#define EDGES_APART  6.0 /* degrees: edges nearer to each other are the same one, turn by turn */
#define FEWEST_SEEN  2U
#define GAP          1.3    /* times any other share: it is known again in every attempt */
#define PLACES       4096U  /* of edges, looked at */
#define MAD_TO_SIGMA 1.4826 /* of a normal distribution */

/* Is one share longer than all others? Place 0 is behind it, in every attempt. */
static bool has_gap(const struct wheel_pattern *pattern) {
    double longest = 0.0;
    double next = 0.0;
    for (size_t i = 0; i < pattern->edges; i++) {
        next = fmax(next, fmin(longest, pattern->angle[i]));
        longest = fmax(longest, pattern->angle[i]);
    }
    return pattern->turn_known && pattern->edges > 1 && longest > GAP * next;
}

struct stretch {
    enum phase phase;
    double from_s, to_s;
};

static struct stretch running_of(const struct window *window) {
    for (size_t i = 0; i < window->phase_count; i++) {
        const struct analysis_phase *phase = &window->phases[i];
        if (phase->phase == PHASE_RUNNING && phase->from_s < window->to_s &&
            phase->from_s >= window->from_s)
            return (struct stretch){PHASE_RUNNING, phase->from_s + RUNNING_S,
                                    fmin(phase->to_s, phase->from_s + RUNNING_TO_S)};
    }
    return (struct stretch){PHASE_RUNNING, (double)NAN, (double)NAN};
}

static struct stretch cranking_of(const struct window *window) {
    return (struct stretch){PHASE_CRANKING, window->engaged_s + START_S, window->released_s};
}

static bool within(const struct stretch *stretch, double at_s) {
    return at_s >= stretch->from_s && at_s < stretch->to_s; /* false where it is not known */
}

/* ---- the pattern ---- */

/* Do `edges` steps behind step `i`, a wheel's first tooth, follow each other without a hole? */
static bool is_whole_turn(const struct wheel_track *track, size_t i,
                          const struct stretch *stretch) {
    size_t edges = track->pattern.edges;
    const struct wheel_step *first = &track->path.steps[i];
    if (i + edges >= track->path.count || wheel_place(&track->pattern, first) != 0)
        return false;
    const struct wheel_step *last = first + edges;
    return last->stretch == first->stretch && last->tooth == first->tooth + (long)edges &&
           within(stretch, first->at_s) && within(stretch, last->at_s);
}

static size_t list_turns(const struct wheel_track *track, const struct stretch *stretch,
                         size_t *firsts) {
    size_t count = 0;
    for (size_t i = 0; i < track->path.count && count < MOST_TURNS; i++) {
        if (is_whole_turn(track, i, stretch))
            firsts[count++] = i;
    }
    return count;
}

/* The median of what there is, and how far single ones usually lie from it. */
static double middle(double *values, size_t count, double *scatter) {
    double median = sorted_median(values, count);
    for (size_t i = 0; i < count; i++)
        values[i] = fabs(values[i] - median);
    *scatter = MAD_TO_SIGMA * sorted_median(values, count);
    return median;
}

static void measure_places(const struct wheel_track *track, const size_t *firsts, size_t turns,
                           struct analysis_wheel *wheel) {
    double values[MOST_TURNS], scatters[WHEEL_MOST_EDGES];
    for (size_t place = 0; place < wheel->edges; place++) {
        for (size_t turn = 0; turn < turns; turn++) {
            const struct wheel_step *steps = &track->path.steps[firsts[turn]];
            double turn_s = steps[wheel->edges].at_s - steps[0].at_s;
            values[turn] = 360.0 * (steps[place + 1].at_s - steps[place].at_s) / turn_s;
        }
        wheel->degrees[place] = middle(values, turns, &scatters[place]);
    }
    wheel->scatter = sorted_median(scatters, wheel->edges);
}

static int add_wheel(const struct evidence *evidence, size_t sensor, struct analysis *analysis) {
    const struct wheel_track *track = evidence->tracks[sensor];
    if (track == NULL || track->pattern.state != WHEEL_FOLLOWED || !track->pattern.turn_known)
        return 0;
    size_t firsts[MOST_TURNS];
    struct stretch stretch = cranking_of(evidence->window);
    size_t turns = list_turns(track, &stretch, firsts);
    if (turns < FEW_TURNS) {
        stretch = running_of(evidence->window);
        turns = list_turns(track, &stretch, firsts);
    }
    if (turns < FEW_TURNS)
        return 0;
    struct analysis_wheel *wheel = result_add_wheel(analysis, track->pattern.edges);
    if (wheel == NULL)
        return -ENOMEM;
    wheel->attempt = evidence->window->attempt;
    wheel->sensor = sensor;
    wheel->phase = stretch.phase;
    wheel->rises = track->pattern.rises;
    wheel->marked = has_gap(&track->pattern);
    wheel->turns = turns;
    measure_places(track, firsts, turns, wheel);
    return 0;
}

/* ---- the cam's edges on the crank's turn ---- */

/* Of one direction; in degrees of the crank, 0 to 360: which of its two turns it is, nothing tells.
 */
static size_t list_places(const struct pulses *pulses, const struct wheel_track *crank, bool rises,
                          const struct stretch *stretch, double *degrees) {
    size_t pulse_count;
    size_t count = 0;
    const struct pulse *list = pulses_list(pulses, &pulse_count);
    for (size_t i = 0; i < pulse_count && count < PLACES; i++) {
        double turns;
        size_t ignored;
        if (list[i].rises == rises && within(stretch, list[i].at_s) &&
            wheel_track_position(crank, list[i].at_s, &turns, &ignored))
            degrees[count++] = 360.0 * (turns - floor(turns));
    }
    sorted_order(degrees, count);
    return count;
}

/* Turns the circle so that its widest hole lies at its end; the width of that hole. */
static double cut_circle(double *degrees, size_t count) {
    double widest = degrees[0] + 360.0 - degrees[count - 1];
    size_t first = 0;
    for (size_t i = 1; i < count; i++) {
        if (degrees[i] - degrees[i - 1] > widest) {
            widest = degrees[i] - degrees[i - 1];
            first = i;
        }
    }
    for (size_t i = 0; i < first; i++)
        degrees[i] += 360.0;
    sorted_order(degrees, count);
    return widest;
}

/* Counts from `zero` on. */
static void turn_circle(double *degrees, size_t count, double zero) {
    for (size_t i = 0; i < count; i++)
        degrees[i] = fmod(degrees[i] - zero + 720.0, 360.0);
    sorted_order(degrees, count);
}

static int add_edge(double *degrees, size_t count, bool rises, struct analysis_cam *cam) {
    if (count < FEWEST_SEEN)
        return 0; /* once is nothing: a spike, or a turn that was miscounted */
    struct analysis_cam_edge *edge = result_add_cam_edge(cam);
    if (edge == NULL)
        return -ENOMEM;
    edge->rises = rises;
    edge->seen = count;
    edge->degrees = fmod(middle(degrees, count, &edge->scatter), 360.0);
    return 0;
}

/* The places that come again and again, of one direction. */
static int add_edges(double *degrees, size_t count, bool rises, struct analysis_cam *cam) {
    if (count == 0 || cut_circle(degrees, count) < EDGES_APART)
        return 0;
    int result = 0;
    size_t first = 0;
    for (size_t i = 1; i <= count && result == 0; i++) {
        if (i < count && degrees[i] - degrees[i - 1] < EDGES_APART)
            continue;
        result = add_edge(degrees + first, i - first, rises, cam);
        first = i;
    }
    return result;
}

/*
 * The crank's edge that falls behind its gap, on the turn as it is counted. Which direction times
 * may differ from attempt to attempt, and what is compared must not hang on it. NAN: not seen.
 */
static double falling_zero(const struct evidence *evidence, size_t crank,
                           const struct stretch *stretch, double *scratch) {
    const struct wheel_track *track = evidence->tracks[crank];
    double pitch = 360.0 / (double)track->pattern.edges;
    if (!track->pattern.rises)
        return 0.0;
    const struct pulses *pulses =
        evidence->pulses[evidence->window->vehicle->sensors[crank].signal];
    size_t count = list_places(pulses, track, false, stretch, scratch);
    if (count == 0 || cut_circle(scratch, count) < GAP * pitch)
        return (double)NAN;
    size_t first = 0;
    while (first < count && scratch[first] < scratch[0] + pitch / 2.0)
        first++;
    return sorted_median(scratch, first);
}

static int by_place(const void *a, const void *b) {
    const struct analysis_cam_edge *x = a;
    const struct analysis_cam_edge *y = b;
    if (x->rises != y->rises)
        return x->rises ? 1 : -1;
    return x->degrees < y->degrees ? -1 : x->degrees > y->degrees;
}

static int fill_cam(const struct evidence *evidence, const struct stretch *stretch,
                    struct analysis_cam *cam) {
    double degrees[PLACES];
    const struct wheel_track *crank = evidence->tracks[cam->crank];
    const struct pulses *pulses =
        evidence->pulses[evidence->window->vehicle->sensors[cam->cam].signal];
    int result = 0;
    double zero = falling_zero(evidence, cam->crank, stretch, degrees);
    cam->phase = stretch->phase;
    for (int rises = 0; rises < 2 && result == 0 && !isnan(zero); rises++) {
        size_t count = list_places(pulses, crank, rises != 0, stretch, degrees);
        turn_circle(degrees, count, zero);
        result = add_edges(degrees, count, rises != 0, cam);
    }
    if (cam->edge_count > 0)
        qsort(cam->edges, cam->edge_count, sizeof *cam->edges, by_place);
    return result;
}

static int add_cam(const struct evidence *evidence, size_t crank, size_t sensor,
                   struct analysis *analysis) {
    struct analysis_cam *cam = result_add_cam(analysis);
    if (cam == NULL)
        return -ENOMEM;
    cam->attempt = evidence->window->attempt;
    cam->crank = crank;
    cam->cam = sensor;
    struct stretch stretch = cranking_of(evidence->window);
    int result = fill_cam(evidence, &stretch, cam);
    if (result == 0 && cam->edge_count == 0) {
        stretch = running_of(evidence->window);
        result = fill_cam(evidence, &stretch, cam);
    }
    if (cam->edge_count == 0)
        result_drop_cam(analysis);
    return result;
}

int wheel_forms_add(const struct evidence *evidence, struct analysis *analysis) {
    const struct vehicle *vehicle = evidence->window->vehicle;
    int result = 0;
    for (size_t i = 0; i < vehicle->sensor_count && result == 0; i++)
        result = add_wheel(evidence, i, analysis);
    for (size_t i = 0; i < vehicle->sensor_count; i++) {
        const struct wheel_track *crank = evidence->tracks[i];
        if (vehicle->sensors[i].shaft != SHAFT_CRANK || crank == NULL ||
            crank->pattern.state != WHEEL_FOLLOWED || !has_gap(&crank->pattern))
            continue;
        for (size_t k = 0; k < vehicle->sensor_count && result == 0; k++) {
            if (vehicle->sensors[k].shaft == SHAFT_CAM && evidence->tracks[k] != NULL)
                result = add_cam(evidence, i, k, analysis);
        }
    }
    return result;
}
