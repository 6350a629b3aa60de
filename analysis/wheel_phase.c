// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_phase.c - cam edges by the crank's angle, and the one step in them that explains most.
 */
#include "wheel_phase.h"

#include "sorted.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define LEAST_MOVE    10.0 /* degrees of the crank: less is play, and where teeth are */
#define TIMES_SCATTER 5.0
#define FEWEST_A_SIDE 6U     /* cam edges that must agree before and after */
#define SIDE          24U    /* and so many at most are asked */
#define IN_STEP       0.02   /* of the turns */
#define MAD_TO_SIGMA  1.4826 /* of a normal distribution */
#define LEAST_SCATTER 0.5
#define SAME_SHARE    0.08 /* relative: edges that come like this are told apart by nothing */

/* To within half of what repeats: which of the repetitions it is, nothing tells. */
static double wrap(const struct wheel_phase *phase, double degrees) {
    return degrees - phase->repeats_degrees * round(degrees / phase->repeats_degrees);
}

static bool repeats_after(const struct wheel_pattern *pattern, size_t edges) {
    for (size_t i = 0; i < pattern->edges; i++) {
        double share = pattern->share[i];
        double next = pattern->share[(i + edges) % pattern->edges];
        if (fabs(next - share) > SAME_SHARE * share)
            return false;
    }
    return true;
}

/* So many edges of the pattern look like the ones before them: a wheel of equal teeth, cut whole.
 */
static size_t unlike_edges(const struct wheel_pattern *pattern) {
    size_t edges = 1;
    while (edges < pattern->edges &&
           (pattern->edges % edges != 0 || !repeats_after(pattern, edges)))
        edges++;
    return edges;
}

static void find_points(struct wheel_phase *phase, const struct wheel_track *crank,
                        const struct wheel_track *cam) {
    for (size_t i = 0; i < cam->path.count; i++) {
        const struct wheel_step *step = &cam->path.steps[i];
        double turns;
        size_t stretch;
        if (!wheel_track_position(crank, step->at_s, &turns, &stretch))
            continue;
        phase->points[phase->count++] = (struct wheel_phase_point){
            .at_s = step->at_s,
            .degrees = 360.0 * fmod(turns, 2.0),
            .place = wheel_place(&cam->pattern, step),
            .stretch = stretch,
        };
    }
}

/* Turns of the crank from a cam edge to the same one again; the usual number. */
static void count_turns(struct wheel_phase *phase, const struct wheel_track *crank,
                        const struct wheel_track *cam, double *scratch) {
    size_t count = 0;
    size_t edges = cam->pattern.edges;
    for (size_t i = edges; i < cam->path.count; i++) {
        const struct wheel_step *to = &cam->path.steps[i];
        const struct wheel_step *from = to - edges;
        double turns[2];
        size_t stretches[2];
        if (to->stretch == from->stretch && to->tooth == from->tooth + (long)edges &&
            wheel_track_position(crank, from->at_s, &turns[0], &stretches[0]) &&
            wheel_track_position(crank, to->at_s, &turns[1], &stretches[1]) &&
            stretches[0] == stretches[1])
            scratch[count++] = turns[1] - turns[0];
    }
    phase->crank_turns = sorted_median(scratch, count);
    double repeats = round(2.0 / phase->crank_turns);
    phase->in_step = repeats >= 1.0 && fabs(phase->crank_turns * repeats - 2.0) < IN_STEP * 2.0;
    if (!phase->in_step)
        return;
    size_t unlike = unlike_edges(&cam->pattern);
    for (size_t i = 0; i < phase->count; i++)
        phase->points[i].place %= unlike;
    /* of the crank's two turns nothing tells which is which */
    phase->repeats_degrees = fmin(720.0 * (double)unlike / (repeats * (double)edges), 360.0);
}

/* How far each edge lies from where the first of its like lay. */
static void find_departures(const struct wheel_phase *phase, size_t edges, double *departures,
                            double *scratch) {
    for (size_t place = 0; place < edges; place++) {
        double first = (double)NAN;
        size_t count = 0;
        for (size_t i = 0; i < phase->count; i++) {
            if (phase->points[i].place != place)
                continue;
            first = isnan(first) ? phase->points[i].degrees : first;
            departures[i] = wrap(phase, phase->points[i].degrees - first);
            if (count < FEWEST_A_SIDE)
                scratch[count++] = departures[i];
        }
        double usual = sorted_median(scratch, count);
        for (size_t i = 0; i < phase->count; i++)
            if (phase->points[i].place == place)
                departures[i] -= usual;
    }
}

/* The first edge behind the step that leaves least; 0: too few edges. */
static size_t find_split(const double *departures, size_t count) {
    double sum = 0.0;
    double before = 0.0;
    double best = -1.0;
    size_t split = 0;
    for (size_t i = 0; i < count; i++)
        sum += departures[i];
    for (size_t i = 0; i + FEWEST_A_SIDE <= count; i++) {
        double n = (double)i;
        double rest = (double)(count - i);
        double step = i == 0 ? 0.0 : before / n - (sum - before) / rest;
        if (i >= FEWEST_A_SIDE && step * step * n * rest > best) {
            best = step * step * n * rest;
            split = i;
        }
        before += departures[i];
    }
    return split;
}

/* Middle and scatter of the departures in [from, to). */
static double side(const double *departures, size_t from, size_t to, double *scratch,
                   double *scatter) {
    for (size_t i = from; i < to; i++)
        scratch[i - from] = departures[i];
    double middle = sorted_median(scratch, to - from);
    for (size_t i = from; i < to; i++)
        scratch[i - from] = fabs(departures[i] - middle);
    *scatter = fmax(LEAST_SCATTER, MAD_TO_SIGMA * sorted_median(scratch, to - from));
    return middle;
}

static void find_move(struct wheel_phase *phase, const double *departures, double *scratch) {
    size_t split = find_split(departures, phase->count);
    double scatter[2];
    side(departures, 0, phase->count, scratch, &phase->scatter);
    if (split == 0)
        return;
    size_t from = split > SIDE ? split - SIDE : 0;
    size_t to = split + SIDE < phase->count ? split + SIDE : phase->count;
    double before = side(departures, from, split, scratch, &scatter[0]);
    double after = side(departures, split, to, scratch, &scatter[1]);
    phase->scatter = fmax(scatter[0], scatter[1]);
    double moved = wrap(phase, after - before);
    if (fabs(moved) <= LEAST_MOVE || fabs(moved) <= TIMES_SCATTER * phase->scatter)
        return;
    phase->moved = true;
    phase->moved_by = moved;
    phase->moved_from_s = phase->points[split - 1].at_s;
    phase->moved_to_s = phase->points[split].at_s;
    phase->to_degrees = phase->points[split].degrees;
    phase->from_degrees = fmod(phase->to_degrees - moved + 720.0, 720.0);
}

int wheel_phase_new(const struct wheel_track *crank, const struct wheel_track *cam,
                    struct wheel_phase **phase) {
    struct wheel_phase *made = calloc(1, sizeof *made);
    size_t room = cam->path.count + 1;
    double *departures = calloc(room, sizeof *departures);
    double *scratch = calloc(room, sizeof *scratch);
    if (made != NULL)
        made->points = malloc(room * sizeof *made->points);
    if (made == NULL || made->points == NULL || departures == NULL || scratch == NULL) {
        wheel_phase_free(made);
        free(departures);
        free(scratch);
        return -ENOMEM;
    }
    made->crank_turns = made->repeats_degrees = made->scatter = (double)NAN;
    made->moved_by = made->moved_from_s = made->moved_to_s = (double)NAN;
    made->from_degrees = made->to_degrees = (double)NAN;
    if (crank->pattern.state == WHEEL_FOLLOWED && crank->pattern.turn_known &&
        cam->pattern.state == WHEEL_FOLLOWED) {
        find_points(made, crank, cam);
        count_turns(made, crank, cam, scratch);
        if (made->in_step) {
            find_departures(made, cam->pattern.edges, departures, scratch);
            find_move(made, departures, scratch);
        }
    }
    free(departures);
    free(scratch);
    *phase = made;
    return 0;
}

void wheel_phase_free(struct wheel_phase *phase) {
    if (phase == NULL)
        return;
    free(phase->points);
    free(phase);
}
