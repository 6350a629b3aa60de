// SPDX-License-Identifier: Apache-2.0
/*
 * cam_step.c - each edge against those of the cam's first turn.
 */
#include "cam_step.h"

#include <math.h>

#define CAM_TURN      2.0 /* crank turns in one of the cam */
#define DEGREES       360.0
#define LEAST_DEGREES 10.0 /* a smaller movement is not claimed */
#define MOST_DEGREES  90.0 /* a larger one is a turn counted wrong */
#define STEADY        6.0  /* degrees about its place: the crank's own unevenness, the samples */
#define FEWEST_BEHIND 2
#define ODD           1    /* an edge that slips may be seen twice */
#define CLOSE         0.02 /* of a turn: the first edge again */

/* How far edge `at` lies behind the nearest of the first `places`, degrees. */
static double offset(const double *turns, size_t places, double at) {
    double nearest = HUGE_VAL;
    for (size_t i = 0; i < places; i++) {
        double apart = remainder(at - turns[i], CAM_TURN);
        if (fabs(apart) < fabs(nearest))
            nearest = apart;
    }
    return nearest * DEGREES;
}

/* Are edges [first, count) all as far out of their places? By how much. */
static bool moved(const double *turns, size_t places, size_t first, size_t count, double *by) {
    double sum = 0.0;
    for (size_t i = first; i < count; i++)
        sum += offset(turns, places, turns[i]);
    *by = sum / (double)(count - first);
    if (fabs(*by) <= LEAST_DEGREES || fabs(*by) > MOST_DEGREES)
        return false;
    for (size_t i = first; i < count; i++) {
        if (fabs(offset(turns, places, turns[i]) - *by) > STEADY)
            return false;
    }
    return true;
}

bool cam_step_find(const double *turns, const double *times, size_t count, struct cam_step *step) {
    size_t places = 0;
    while (places < count && turns[places] < turns[0] + CAM_TURN - CLOSE)
        places++;
    size_t steady = places - 1;
    size_t odd = 0;
    for (size_t i = places; i + FEWEST_BEHIND <= count && i > 0; i++) {
        double by;
        if (moved(turns, places, i, count, &by)) {
            *step = (struct cam_step){times[steady], times[i], by};
            return true;
        }
        if (fabs(offset(turns, places, turns[i])) <= STEADY)
            steady = i;
        else if (odd++ == ODD)
            return false; /* it was never steady */
    }
    return false;
}
