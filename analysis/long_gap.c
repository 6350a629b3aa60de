// SPDX-License-Identifier: Apache-2.0
/*
 * long_gap.c - periods, sorted, and those that stand out.
 */
#include "long_gap.h"

#include "sorted.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

/* Common practice, no source: */
#define STANDS_OUT   2.2 /* times the longest that recurs; a compression stretches by half */
#define FEWEST_TURNS 4.0
#define MOST_TURNS   0.75 /* of the turns may have such a gap */
#define AT_SPEED     1.5  /* times the longest that recurs */
#define FEWEST       3    /* edges before it */
#define NEWEST       8    /* edges that the next one is expected by */

/* The longest period, from edge to like edge, that comes about once a turn; NAN: no memory. */
static double longest_usual(const struct pulse *list, size_t first, size_t end, double turns) {
    size_t count = end - first - 2;
    size_t exceptions = (size_t)(MOST_TURNS * turns);
    double *periods = malloc(count * sizeof *periods);
    if (periods == NULL)
        return (double)NAN;
    for (size_t i = 0; i < count; i++)
        periods[i] = list[first + i + 2].at_s - list[first + i].at_s;
    sorted_order(periods, count);
    /* a silence belongs to two periods */
    double usual = 2 * exceptions < count ? periods[count - 1 - 2 * exceptions] : (double)INFINITY;
    free(periods);
    return usual;
}

/* How long pulses were seen at all. */
static double seen_s(const struct pulse *list, size_t first, size_t end, double most_s) {
    double seen = 0.0;
    for (size_t i = first; i + 1 < end; i++) {
        double apart_s = list[i + 1].at_s - list[i].at_s;
        seen += apart_s <= most_s ? apart_s : 0.0;
    }
    return seen;
}

/* From like edge to like edge, the longest of the newest. */
static double period_before(const struct pulse *list, size_t last) {
    double longest = 0.0;
    for (size_t i = last; i > 1 && i + NEWEST > last; i--)
        longest = fmax(longest, list[i].at_s - list[i - 2].at_s);
    return longest;
}

/* The periods before and behind are usual ones: the engine was not running down. */
static bool is_at_speed(const struct pulse *list, size_t end, size_t i, double usual) {
    double before_s = list[i - 1].at_s - list[i - 3].at_s;
    return before_s < AT_SPEED * usual && i + 3 < end &&
           list[i + 3].at_s - list[i + 1].at_s < AT_SPEED * usual;
}

int long_gaps_find(const struct pulses *pulses, double from_s, double to_s, double turn_s,
                   double most_s, struct long_gaps *gaps) {
    size_t count;
    const struct pulse *list = pulses_list(pulses, &count);
    size_t first = pulses_after(pulses, from_s);
    size_t end = pulses_after(pulses, to_s);
    *gaps = (struct long_gaps){0, (double)NAN, (double)NAN, (double)NAN};
    if (end < first + FEWEST + 2)
        return 0;
    double turns = seen_s(list, first, end, most_s) / turn_s;
    if (turns < FEWEST_TURNS)
        return 0;
    double usual = longest_usual(list, first, end, turns);
    if (isnan(usual))
        return -ENOMEM;
    for (size_t i = first + FEWEST; i + 1 < end; i++) {
        double silent_s = list[i + 1].at_s - list[i].at_s;
        double before_s = list[i].at_s - list[i - 1].at_s;
        double behind_s = i + 2 < end ? list[i + 2].at_s - list[i + 1].at_s : 0.0;
        double beside_s = fmax(before_s, behind_s);
        if (silent_s < beside_s || silent_s + beside_s < STANDS_OUT * usual || silent_s > most_s ||
            !is_at_speed(list, end, i, usual) ||
            pulses_in_hole(pulses, list[i].at_s, list[i + 1].at_s))
            continue;
        if (gaps->count++ == 0) {
            gaps->last_s = list[i].at_s;
            gaps->due_s = gaps->last_s + fmin(period_before(list, i), usual);
        }
        gaps->resumed_s = list[i + 1].at_s;
    }
    return 0;
}
