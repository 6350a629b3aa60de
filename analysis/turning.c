// SPDX-License-Identifier: Apache-2.0
/*
 * turning.c - a stretch of edges without a pause, and the rate over its newest ones.
 */
#include "turning.h"

#include <math.h>
#include <string.h>

#define FEWEST_EDGES     4
#define SHORTEST_TURN_S  0.05 /* a burst of glitches is shorter */
#define USUAL_SPAN       32
#define PAUSE_INTERVALS  6.0 /* a tooth gap is three intervals, compression stretches it */
#define PAUSE_SHORTEST_S 0.25
#define PAUSE_LONGEST_S  0.9
#define SHORTEST_SINCE_S 0.1
#define SINCE_SHARE      0.8 /* few edges, and it may still pick up */
#define RUNNING_EDGES    12  /* fewer may be one group of a wheel that is not known */
#define RUNNING_RATIO    2.0 /* engines idle at three to five times the speed of the starter */

void turning_init(struct turning *turning, const struct vehicle_sensor *sensor) {
    memset(turning, 0, sizeof *turning);
    turning->span = USUAL_SPAN;
    turning->rpm_of_rate = (double)NAN;
    turning->cranking_rate = (double)NAN;
    const struct wheel *wheel = &sensor->wheel;
    if (wheel->places == 0)
        return;
    size_t edges_a_turn = 2U * (wheel->places - wheel->missing - wheel->missing_again);
    double crank_turns = sensor->shaft == SHAFT_CAM ? 2.0 : 1.0;
    turning->rpm_of_rate = 60.0 * crank_turns / (double)edges_a_turn;
    turning->span = edges_a_turn < TURNING_MEMORY ? edges_a_turn : TURNING_MEMORY - 1;
    if (turning->span < FEWEST_EDGES)
        turning->span = FEWEST_EDGES;
}

static double time_back(const struct turning *turning, size_t back) {
    return turning->times[(turning->newest + TURNING_MEMORY - back) % TURNING_MEMORY];
}

/* A time without edges that ends a stretch: some of the latest intervals. */
static double pause_s(const struct turning *turning) {
    if (turning->remembered < FEWEST_EDGES)
        return PAUSE_LONGEST_S;
    size_t intervals = turning->remembered - 1 < 8 ? turning->remembered - 1 : 8;
    double interval = (time_back(turning, 0) - time_back(turning, intervals)) / (double)intervals;
    return fmin(fmax(PAUSE_INTERVALS * interval, PAUSE_SHORTEST_S), PAUSE_LONGEST_S);
}

void turning_edge(struct turning *turning, double at_s) {
    if (turning->remembered > 0 && at_s - time_back(turning, 0) > pause_s(turning))
        turning->remembered = 0;
    if (turning->remembered == 0)
        turning->since_s = at_s;
    turning->newest = (turning->newest + 1) % TURNING_MEMORY;
    turning->times[turning->newest] = at_s;
    if (turning->remembered < TURNING_MEMORY)
        turning->remembered++;
}

bool turning_now(const struct turning *turning, double now_s) {
    return turning->remembered >= FEWEST_EDGES &&
           time_back(turning, 0) - turning->since_s >= SHORTEST_TURN_S &&
           now_s - time_back(turning, 0) <= pause_s(turning);
}

double turning_last_s(const struct turning *turning) {
    return turning->remembered > 0 ? time_back(turning, 0) : (double)NAN;
}

double turning_rate(const struct turning *turning) {
    if (turning->remembered < FEWEST_EDGES)
        return (double)NAN;
    size_t intervals =
        turning->remembered - 1 < turning->span ? turning->remembered - 1 : turning->span;
    double time_s = time_back(turning, 0) - time_back(turning, intervals);
    return time_s > 0.0 ? (double)intervals / time_s : (double)NAN;
}

double turning_rate_since(const struct turning *turning, double from_s, double now_s) {
    size_t edges = 0;
    while (edges < turning->remembered && time_back(turning, edges) >= from_s)
        edges++;
    if (edges < FEWEST_EDGES || now_s - from_s < SHORTEST_SINCE_S)
        return (double)NAN;
    return (double)(edges - 1) / (time_back(turning, 0) - time_back(turning, edges - 1));
}

bool turning_runs_since(const struct turning *turning, double released_s, double now_s,
                        double running_rpm) {
    double rate = turning_rate_since(turning, released_s, now_s);
    if (!isnan(turning->rpm_of_rate))
        return rate * turning->rpm_of_rate >= SINCE_SHARE * running_rpm;
    return rate >= SINCE_SHARE * RUNNING_RATIO * turning->cranking_rate;
}

double turning_rpm(const struct turning *turning) {
    return turning_rate(turning) * turning->rpm_of_rate;
}

void turning_restart(struct turning *turning, double from_s) {
    while (turning->remembered > 0 && time_back(turning, turning->remembered - 1) < from_s)
        turning->remembered--;
    if (turning->remembered > 0)
        turning->since_s = time_back(turning, turning->remembered - 1);
}

void turning_learn_cranking(struct turning *turning, bool begins) {
    if (begins) {
        turning->cranking_sum = 0.0;
        turning->cranking_count = 0;
    }
    double rate = turning_rate(turning);
    if (isnan(rate))
        return;
    turning->cranking_sum += rate;
    turning->cranking_count++;
    turning->cranking_rate = turning->cranking_sum / turning->cranking_count;
}

enum speed turning_speed(const struct turning *turning, double running_rpm) {
    double rate = turning_rate(turning);
    if (isnan(rate))
        return SPEED_UNKNOWN;
    if (!isnan(turning->rpm_of_rate))
        return rate * turning->rpm_of_rate >= running_rpm ? SPEED_RUNNING : SPEED_CRANKING;
    if (isnan(turning->cranking_rate))
        return SPEED_UNKNOWN;
    if (turning->remembered < RUNNING_EDGES)
        return SPEED_CRANKING; /* a group of teeth is no rate */
    return rate > RUNNING_RATIO * turning->cranking_rate ? SPEED_RUNNING : SPEED_CRANKING;
}
