// SPDX-License-Identifier: Apache-2.0
/*
 * silence.c - intervals between edges, and the ones that are too long.
 */
#include "silence.h"

#include <math.h>

#define FEWEST_EDGES      6   /* of a signal that was there at all */
#define TURN_BEFORE_S     1.2 /* what came in so long is a turn, where the wheel is not known */
#define SLOW_TURN_S       0.6 /* of the crank, at 100 rpm in the cold */
#define DUE_SLACK         1.3 /* a compression stretches an interval by so much */
#define SLOWER_LEAST      0.5 /* a turn later the engine is faster or slower by no more */
#define SLOWER_MOST       1.5
#define LOST_DUES         4.0  /* silent for so many due times, and for so long, is lost; less is */
#define LOST_LEAST_S      0.25 /*   pulses missed */
#define LOST_RESUMED_S    0.6  /*   as what comes back sooner are (pulse_judge.h) */
#define ABRUPT_S          0.25 /* an engine that stops from idle takes longer */
#define SLOWED_SHARE      0.6
#define ABRUPT_SHARE      0.8
#define ABRUPT_EDGES      8
#define ABRUPT_EDGES_COIL 16
#define ABRUPT_SEEN_S     0.5
#define MANY_EDGES        8   /* a turn */
#define TURN_SLACK        1.2 /* from turn to turn the engine is slower by no more */
#define FIRST_EDGE_S      1.0 /* from rest, a signal with few pulses a turn may need so long */

/* What the next edge is expected by. */
struct usual {
    double state_s;  /* how long the state lasts that the last edge began; 0: none was seen */
    double period_s; /* from edge to like edge */
};

/* The longest interval of the last turn or so before pulse `last`. */
static double longest_before(const struct pulse *list, size_t last) {
    double longest = 0.0;
    for (size_t i = last; i > 0 && list[last].at_s - list[i - 1].at_s < TURN_BEFORE_S; i--) {
        if (!list[i].first_state)
            longest = fmax(longest, list[i].at_s - list[i - 1].at_s);
    }
    return longest;
}

/* The longest of the last `turn_s`; a period at least is looked at. */
static struct usual longest_usual(const struct pulse *list, size_t last, double turn_s) {
    struct usual usual = {0.0, 0.0};
    for (size_t i = last; i > 1; i--) {
        if (usual.state_s > 0.0 && list[last].at_s - list[i - 2].at_s > turn_s)
            break;
        if (list[i].first_state || list[i - 1].first_state)
            continue;
        usual.period_s = fmax(usual.period_s, list[i].at_s - list[i - 2].at_s);
        if (list[i - 1].rises == list[last].rises)
            usual.state_s = fmax(usual.state_s, list[i].at_s - list[i - 1].at_s);
    }
    return usual;
}

/* Those at the same place of the wheel `turn` pulses before, at the speed of the newest period. */
static struct usual usual_of_place(const struct pulse *list, size_t last, size_t turn) {
    const struct pulse *then = &list[last - turn];
    const struct pulse *now = &list[last];
    double speed = (now[-1].at_s - now[-3].at_s) / (then[-1].at_s - then[-3].at_s);
    speed = fmax(SLOWER_LEAST, fmin(SLOWER_MOST, speed));
    return (struct usual){speed * (then[1].at_s - then[0].at_s),
                          speed * (then[1].at_s - then[-1].at_s)};
}

/* Every state of the last `turn` pulses and of three before was seen to begin and to end. */
static bool is_whole(const struct pulse *list, size_t last, size_t turn) {
    if (turn == 0 || last < turn + 3)
        return false;
    for (size_t i = last - turn - 2; i <= last; i++) {
        if (list[i].first_state)
            return false;
    }
    return true;
}

static bool is_known(const struct wheel_track *track) {
    return track != NULL && track->pattern.state == WHEEL_FOLLOWED && track->pattern.turn_known;
}

double silence_due_s(const struct pulses *pulses, const struct wheel_track *track,
                     const struct vehicle_sensor *sensor, size_t last) {
    size_t count;
    const struct pulse *list = pulses_list(pulses, &count);
    bool known = is_known(track);
    double turn_s = sensor->shaft == SHAFT_CAM ? 2.0 * SLOW_TURN_S : SLOW_TURN_S;
    size_t turn = known ? 2 * track->pattern.edges : 0;
    struct usual usual = is_whole(list, last, turn) ? usual_of_place(list, last, turn)
                                                    : longest_usual(list, last, turn_s);
    if (usual.state_s == 0.0)
        return list[last].at_s + DUE_SLACK * longest_before(list, last);
    if (sensor->kind == SENSOR_INDUCTIVE) /* swings back slowly, nobody knows when */
        return list[last].at_s + usual.period_s;
    return list[last].at_s + fmin(DUE_SLACK * usual.state_s, usual.period_s);
}

static bool is_lost(const struct silence *silence, double longest_s) {
    double least_s = isnan(silence->to_s) ? LOST_LEAST_S : LOST_RESUMED_S;
    return silence->until_s - silence->last_s >= fmax(LOST_DUES * DUE_SLACK * longest_s, least_s);
}

/*
 * It was silent for no longer than a turn, and few pulses came in the one before, or that was not
 * seen since `from_s`.
 */
static bool is_between(const struct silence *silence, const struct pulse *list, size_t last,
                       double from_s, double turn_s) {
    size_t count = 0;
    while (count < last && list[last].at_s - list[last - count].at_s < turn_s)
        count++;
    bool few = count < MANY_EDGES || list[last].at_s - from_s < turn_s;
    return few && silence->until_s - silence->last_s < TURN_SLACK * turn_s;
}

/* Edges of the last quarter of a second, and of the one before. */
static void count_edges(const struct pulse *list, size_t last, size_t *newest, size_t *before) {
    *newest = *before = 0;
    for (size_t i = last; i > 0; i--) {
        double back_s = list[last].at_s - list[i - 1].at_s;
        if (back_s > 2.0 * ABRUPT_S)
            break;
        *newest += back_s <= ABRUPT_S;
        *before += back_s > ABRUPT_S;
    }
}

static bool is_abrupt(const struct pulse *list, size_t last, enum sensor_kind kind) {
    size_t newest;
    size_t before;
    count_edges(list, last, &newest, &before);
    /* what a winding shows shrinks with the speed, and is lost before the engine stands */
    size_t fewest = kind == SENSOR_INDUCTIVE ? ABRUPT_EDGES_COIL : ABRUPT_EDGES;
    return before >= fewest && (double)newest >= ABRUPT_SHARE * (double)before;
}

static bool is_slowed(const struct pulse *list, size_t last) {
    size_t newest;
    size_t before;
    count_edges(list, last, &newest, &before);
    return before >= ABRUPT_EDGES && (double)newest < SLOWED_SHARE * (double)before;
}

bool silence_find(const struct pulses *pulses, const struct wheel_track *track,
                  const struct vehicle_sensor *sensor, double from_s, double to_s, double turn_s,
                  struct silence *silence) {
    size_t count;
    const struct pulse *list = pulses_list(pulses, &count);
    size_t first = pulses_after(pulses, from_s);
    size_t end = pulses_after(pulses, to_s);
    *silence = (struct silence){.to_s = (double)NAN, .until_s = to_s};
    if (first >= end) {
        silence->never = true;
        silence->last_s = from_s;
        silence->due_s = silence->sure_s = fmin(from_s + FIRST_EDGE_S, to_s);
        return to_s - from_s > FIRST_EDGE_S;
    }
    for (size_t i = first + FEWEST_EDGES; i < end; i++) {
        silence->last_s = list[i].at_s;
        silence->to_s = i + 1 < count && list[i + 1].at_s < to_s ? list[i + 1].at_s : (double)NAN;
        silence->until_s = isnan(silence->to_s) ? to_s : silence->to_s;
        if (silence->until_s - silence->last_s < fmin(LOST_LEAST_S, LOST_RESUMED_S))
            continue; /* as almost all are */
        double longest_s = longest_before(list, i);
        if (longest_s > 0.0 && is_lost(silence, longest_s) &&
            !is_between(silence, list, i, from_s, is_known(track) ? (double)NAN : turn_s) &&
            !pulses_in_hole(pulses, silence->last_s, silence->until_s)) {
            silence->due_s = silence_due_s(pulses, track, sensor, i);
            silence->sure_s = silence->last_s + DUE_SLACK * longest_s;
            silence->slowed = is_slowed(list, i);
            silence->abrupt = isnan(silence->to_s) && is_abrupt(list, i, sensor->kind) &&
                              silence->until_s - silence->last_s >= ABRUPT_SEEN_S;
            return true;
        }
    }
    return false;
}
