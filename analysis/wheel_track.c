// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_track.c - learns and follows a wheel, then reads turns and speed off the way; what does not
 * belong to the wheel is in wheel_events.c.
 */
#include "wheel_track.h"

#include "sorted.h"
#include "wheel_events.h"
#include "wheel_given.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define FASTER_S     1.0 /* the speed is taken after the first second of cranking */
#define LEARN_BEFORE 0.5 /* s before the starter engages: teeth from there on are learnt from */
#define LEARN_TRIES  3   /* further on, where the beginning teaches nothing */
#define FEWEST_TURNS 2U
#define MORE_ODD     2U   /* times as many edges as in the other direction */
#define NO_SCATTER   0.15 /* natural logarithm: what differs more from turn to turn is no wheel */

/* The edges of one direction. */
struct direction {
    size_t count;
    double *times;
    bool *cut;
};

static bool hole_between(const struct wheel_signal *signal, double from_s, double to_s) {
    for (size_t i = 0; i < signal->hole_count; i++)
        if (signal->holes[i].to_s > from_s && signal->holes[i].from_s < to_s)
            return true;
    return false;
}

/* Room for all pulses to be of one direction. */
static int open_directions(struct direction directions[2], size_t room) {
    for (int i = 0; i < 2; i++) {
        directions[i].count = 0;
        directions[i].times = calloc(room + 1, sizeof(double));
        directions[i].cut = calloc(room + 1, sizeof(bool));
    }
    bool opened = directions[0].times != NULL && directions[0].cut != NULL &&
                  directions[1].times != NULL && directions[1].cut != NULL;
    return opened ? 0 : -ENOMEM;
}

static void close_directions(struct direction directions[2]) {
    for (int i = 0; i < 2; i++) {
        free(directions[i].times);
        free(directions[i].cut);
    }
}

static void take_direction(const struct wheel_signal *signal, bool rises,
                           struct direction *direction) {
    bool cut = true;
    for (size_t i = 0; i < signal->count; i++) {
        const struct pulse *pulse = &signal->pulses[i];
        cut = cut || pulse->first_state;
        if (pulse->rises != rises)
            continue;
        direction->times[direction->count] = pulse->at_s;
        direction->cut[direction->count++] = cut;
        cut = false;
    }
}

enum use { USE_BOTH, USE_FALLING, USE_RISING };

/* Learns from the edges from `from_s` on. */
static int learn_from(const struct wheel_signal *signal, const struct direction directions[2],
                      enum use use, double from_s, struct wheel_pattern *pattern) {
    const double *times[2];
    size_t counts[2];
    for (int i = 0; i < 2; i++) {
        size_t first = 0;
        while (first < directions[i].count && directions[i].times[first] < from_s)
            first++;
        times[i] = directions[i].times + first;
        counts[i] = use == (i == 0 ? USE_RISING : USE_FALLING) ? 0 : directions[i].count - first;
    }
    return wheel_learn(times, counts, &signal->wheel, signal->kind, pattern);
}

/* From the cranking on; where that teaches nothing, further on. */
static int learn(const struct wheel_signal *signal, const struct direction directions[2],
                 enum use use, struct wheel_pattern *pattern) {
    const struct direction *falling = &directions[0];
    size_t first = 0;
    while (first < falling->count && falling->times[first] < signal->engaged_s - LEARN_BEFORE)
        first++; /* none, where the starter was not seen */
    if (falling->count - first < falling->count / 4)
        first = 0;
    double from_s = first < falling->count ? falling->times[first] - LEARN_BEFORE : signal->from_s;
    int result = learn_from(signal, directions, use, from_s, pattern);
    for (int i = 0; i < LEARN_TRIES && result == 0 && pattern->state != WHEEL_FOLLOWED; i++) {
        struct wheel_pattern later = {0};
        first += WHEEL_LEARN_EDGES;
        if (first + WHEEL_LEARN_EDGES / 4 > falling->count)
            break;
        result = learn_from(signal, directions, use, falling->times[first], &later);
        if (later.state == WHEEL_FOLLOWED)
            *pattern = later;
    }
    return result;
}

/* ---- turns and speed ---- */

static int read_turns(struct wheel_track *track) {
    const struct wheel_path *path = &track->path;
    const long edges = (long)track->pattern.edges;
    track->turns = malloc((path->count + 1) * sizeof *track->turns);
    track->speeds = malloc((path->count + 1) * sizeof *track->speeds);
    if (track->turns == NULL || track->speeds == NULL)
        return -ENOMEM;
    if (!track->pattern.turn_known)
        return 0;
    const struct wheel_step *begun = path->steps;
    for (size_t i = 1; i < path->count; i++) {
        const struct wheel_step *step = &path->steps[i];
        bool marks = track->pattern.marked && wheel_place(&track->pattern, step) == 0 &&
                     wheel_place(&track->pattern, begun) != 0; /* turns end behind the gap */
        if (step->stretch != step[-1].stretch || step->tooth - begun->tooth > edges || marks) {
            begun = step;
        } else if (step->tooth - begun->tooth == edges) {
            track->turns[track->turn_count++] = (struct wheel_turn){begun->at_s, step->at_s};
            begun = step;
        }
        if (step->stretch != step[-1].stretch)
            continue;
        double angle = 0.0;
        for (long tooth = step[-1].tooth; tooth < step->tooth; tooth++)
            angle += track->pattern.angle[tooth % edges];
        double interval_s = step->at_s - step[-1].at_s;
        track->speeds[track->speed_count++] = (struct wheel_speed){
            step->at_s - interval_s / 2.0, 60.0 * track->crank_turns * angle / interval_s};
    }
    return 0;
}

static double turn_rpm(const struct wheel_track *track, const struct wheel_turn *turn) {
    return 60.0 * track->crank_turns / (turn->to_s - turn->from_s);
}

/* Median, slowest and fastest of the turns between; false: too few. */
static bool speed_between(struct wheel_track *track, const struct wheel_signal *signal,
                          double from_s, size_t fewest, double *scratch) {
    size_t count = 0;
    for (size_t i = 0; i < track->turn_count; i++) {
        const struct wheel_turn *turn = &track->turns[i];
        double rpm = turn_rpm(track, turn);
        if (turn->from_s >= from_s && turn->to_s <= signal->released_s &&
            rpm < signal->running_speed)
            scratch[count++] = rpm;
    }
    if (count < fewest)
        return false;
    sorted_order(scratch, count);
    track->rpm = (scratch[(count - 1) / 2] + scratch[count / 2]) / 2.0;
    track->rpm_low = scratch[0];
    track->rpm_high = scratch[count - 1];
    return true;
}

static int read_speed(struct wheel_track *track, const struct wheel_signal *signal) {
    double needed_s = signal->samples_per_state * signal->period_s;
    if (isnan(signal->engaged_s) || isnan(signal->released_s) ||
        !(track->shortest_state_s >= needed_s))
        return 0;
    double *scratch = malloc((track->turn_count + 1) * sizeof *scratch);
    if (scratch == NULL)
        return -ENOMEM;
    bool gap = signal->wheel.places == 0 || signal->wheel.missing > 0;
    track->has_speed =
        speed_between(track, signal, signal->engaged_s + FASTER_S, FEWEST_TURNS, scratch) ||
        speed_between(track, signal, signal->engaged_s, gap ? 1 : FEWEST_TURNS, scratch);
    free(scratch);
    return 0;
}

/* Is an edge of the cranking: between engagement and release, and not faster than a starter turns?
 * `*turn` goes on with the edges. */
static bool is_cranked(const struct wheel_track *track, const struct wheel_signal *signal,
                       double at_s, size_t *turn) {
    if (isnan(signal->engaged_s) || isnan(signal->released_s))
        return true;
    while (*turn < track->turn_count && track->turns[*turn].to_s < at_s)
        ++*turn;
    const struct wheel_turn *of = &track->turns[*turn];
    bool fast = *turn < track->turn_count && of->from_s < at_s &&
                turn_rpm(track, of) >= signal->running_speed;
    return at_s >= signal->engaged_s && at_s <= signal->released_s && !fast;
}

/* The shorter of the usual low and the usual high state while the starter turned, else of all. */
static int read_states(struct wheel_track *track, const struct wheel_signal *signal) {
    double *widths[2] = {malloc((signal->count + 1) * sizeof(double)),
                         malloc((signal->count + 1) * sizeof(double))};
    size_t counts[2] = {0, 0};
    size_t turn = 0;
    int result = widths[0] == NULL || widths[1] == NULL ? -ENOMEM : 0;
    for (size_t i = 1; i < signal->count && result == 0; i++) {
        const struct pulse *pulse = &signal->pulses[i];
        if (is_cranked(track, signal, pulse->at_s, &turn) && !pulse->first_state)
            widths[pulse->rises][counts[pulse->rises]++] = pulse->at_s - pulse[-1].at_s;
    }
    for (int i = 0; i < 2 && result == 0; i++) {
        sorted_order(widths[i], counts[i]);
        if (counts[i] > 0)
            track->shortest_state_s = fmin(track->shortest_state_s, widths[i][counts[i] / 2]);
    }
    free(widths[0]);
    free(widths[1]);
    return result;
}

/* ---- all of it ---- */

static int follow_direction(const struct wheel_signal *signal, struct direction directions[2],
                            const struct wheel_pattern *pattern, struct wheel_path *path) {
    struct direction *direction = &directions[pattern->rises];
    for (size_t i = 1; i < direction->count; i++)
        direction->cut[i] =
            direction->cut[i] || hole_between(signal, direction->times[i - 1], direction->times[i]);
    return wheel_follow(pattern, direction->times, direction->cut, direction->count,
                        signal->period_s, path);
}

/* Edges that do not follow one another as the wheel's, and those that are not the wheel's. */
static size_t count_odd(const struct wheel_path *path, const struct direction *direction) {
    size_t odd = direction->count - path->count;
    for (size_t i = 1; i < path->count; i++) {
        const struct wheel_step *step = &path->steps[i];
        odd += step->stretch != step[-1].stretch || step->tooth != step[-1].tooth + 1;
    }
    return odd;
}

/* Takes another reading of the edges in place of the one so far, or drops it. */
static void replace_if(struct wheel_track *track, bool better, const struct wheel_pattern *pattern,
                       struct wheel_path *path) {
    if (better) {
        wheel_path_free(&track->path);
        track->pattern = *pattern;
        track->path = *path;
    } else {
        wheel_path_free(path);
    }
}

/*
 * A winding's signal comes back to its middle slowly, and where that is called an edge differs from
 * tooth to tooth: turns of that direction that happen to be alike are no wheel, and beside a gap
 * it comes now before it and now behind. What is wrong with the teeth is wrong in both directions.
 */
static int try_other(struct wheel_track *track, const struct wheel_signal *signal,
                     struct direction directions[2]) {
    size_t odd = count_odd(&track->path, &directions[track->pattern.rises]);
    if (signal->kind != SENSOR_INDUCTIVE || !track->pattern.learnt || odd == 0)
        return 0;
    enum use other = track->pattern.rises ? USE_FALLING : USE_RISING;
    struct wheel_pattern pattern = {0};
    struct wheel_path path = {0};
    int result = learn(signal, directions, other, &pattern);
    if (result == 0 && pattern.state == WHEEL_FOLLOWED && pattern.learnt)
        result = follow_direction(signal, directions, &pattern, &path);
    bool better = result == 0 && path.count > 0 &&
                  MORE_ODD * count_odd(&path, &directions[pattern.rises]) < odd;
    replace_if(track, better, &pattern, &path);
    return result;
}

/*
 * Where nothing repeats, or what was learnt is no more alike from turn to turn than gaps at random
 * places make it: is it the wheel as given, with many of its pulses missing?
 */
static int try_as_given(struct wheel_track *track, const struct wheel_signal *signal,
                        struct direction directions[2]) {
    struct wheel_pattern pattern = track->pattern;
    struct wheel_path path = {0};
    bool wild = pattern.state == WHEEL_FOLLOWED && pattern.learnt && signal->wheel.missing > 0 &&
                signal->kind == SENSOR_HALL && pattern.scatter > NO_SCATTER;
    /* few gaps in a wheel of many teeth: they look equal, which the one that is given is not */
    bool equal =
        pattern.state == WHEEL_NOT_AS_GIVEN && pattern.edges == 1 && signal->wheel.missing > 0;
    if ((pattern.state != WHEEL_NO_PATTERN && !wild && !equal) ||
        !wheel_given_disturbed(&signal->wheel, &pattern))
        return 0;
    int result = follow_direction(signal, directions, &pattern, &path);
    replace_if(track, result == 0 && wheel_given_borne_out(&pattern, &path), &pattern, &path);
    return result;
}

static int follow(struct wheel_track *track, const struct wheel_signal *signal,
                  struct direction directions[2]) {
    int result = learn(signal, directions, USE_BOTH, &track->pattern);
    if (result == 0 && track->pattern.state == WHEEL_FOLLOWED) {
        result = follow_direction(signal, directions, &track->pattern, &track->path);
        if (result == 0 && track->pattern.learnt) {
            result = try_other(track, signal, directions);
        } else if (result == 0 &&
                   !wheel_given_confirmed(&signal->wheel, &track->pattern, &track->path)) {
            track->pattern.state = WHEEL_TOO_FEW;
            wheel_path_free(&track->path);
        }
    }
    if (result == 0)
        result = try_as_given(track, signal, directions);
    return result;
}

static int read_track(struct wheel_track *track, const struct wheel_signal *signal,
                      const struct direction directions[2]) {
    const struct direction *direction = &directions[track->pattern.rises];
    if (track->pattern.state != WHEEL_FOLLOWED)
        return read_states(track, signal);
    int result = read_turns(track);
    if (result == 0)
        result = read_states(track, signal);
    if (result != 0)
        return result;
    result = wheel_events_find(signal, direction->times, direction->count, track);
    return result == 0 ? read_speed(track, signal) : result;
}

int wheel_track_new(const struct wheel_signal *signal, struct wheel_track **track) {
    struct direction directions[2];
    struct wheel_track *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->crank_turns = signal->shaft == SHAFT_CAM ? 2.0 : 1.0;
    made->rpm = made->rpm_low = made->rpm_high = (double)NAN;
    made->shortest_state_s = made->refused_state_s = (double)NAN;
    int result = open_directions(directions, signal->count);
    if (result == 0) {
        take_direction(signal, false, &directions[0]);
        take_direction(signal, true, &directions[1]);
        result = follow(made, signal, directions);
        if (result == 0)
            result = read_track(made, signal, directions);
    }
    close_directions(directions);
    if (result != 0)
        wheel_track_free(made);
    else
        *track = made;
    return result;
}

void wheel_track_free(struct wheel_track *track) {
    if (track == NULL)
        return;
    wheel_path_free(&track->path);
    free(track->speeds);
    free(track->turns);
    free(track->events);
    free(track);
}

double wheel_track_rate(const struct wheel_track *track, double samples_per_state) {
    return samples_per_state / fmin(track->shortest_state_s, track->refused_state_s);
}

bool wheel_track_position(const struct wheel_track *track, double at_s, double *turns,
                          size_t *stretch) {
    const struct wheel_step *steps = track->path.steps;
    size_t low = 0;
    size_t high = track->path.count;
    while (low < high) { /* the first step later than `at_s` */
        size_t middle = low + (high - low) / 2;
        if (steps[middle].at_s > at_s)
            high = middle;
        else
            low = middle + 1;
    }
    if (low == 0 || low == track->path.count || steps[low].stretch != steps[low - 1].stretch)
        return false;
    const size_t edges = track->pattern.edges;
    const struct wheel_step *step = &steps[low - 1];
    double before = 0.0;
    for (size_t i = 0; i < wheel_place(&track->pattern, step); i++)
        before += track->pattern.angle[i];
    double angle = 0.0;
    for (long tooth = step->tooth; tooth < step[1].tooth; tooth++)
        angle += track->pattern.angle[(size_t)tooth % edges];
    double part = (at_s - step->at_s) / (step[1].at_s - step->at_s);
    long whole = step->tooth / (long)edges;
    *turns = (double)whole + before + part * angle;
    *stretch = step->stretch;
    return true;
}
