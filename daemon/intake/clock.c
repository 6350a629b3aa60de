// SPDX-License-Identifier: Apache-2.0
/*
 * clock.c - a line under the points (scan, arrival), fitted to their lower envelope.
 *
 * The window is cut into slices; of each only the least delayed point is kept, for only such
 * points can touch the line. Among all lines below the points, the one nearest to them (least sum
 * of distances) goes through the edge of their lower convex hull that lies over their middle:
 * a line's mean distance depends on its height at the middle alone.
 *
 * A slope from little is worse than the one claimed. Both are weighted by the inverse squares of
 * their errors; the hull's is the scatter of the slices' best points over the stretch they span.
 */
#include "clock.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define SLICES          1024      /* of the window: 256 s */
#define SLICE_NS        250000000 /* long enough for many bursts of a slow bus */
#define ANCHOR_EVERY_NS 60e9      /* a new anchor at least so often */
#define CLAIM_ERROR     2e-3      /* of a claimed rate: ceramic resonators, rounded numbers */
#define FOUND_ERROR     2e-5      /* of a rate found in an earlier epoch: temperature */
#define CONTRADICTION   5.0       /* errors apart: the two cannot both be right */
#define SCATTER_LEAST   1000.0    /* ns: no computer notes arrivals better */
#define SCATTER_FIRST   10e6      /* ns: until there is something to judge by */
#define GUESS_PERIOD_NS 10e6      /* where nothing is known at all */

struct point {
    uint64_t scan;
    int64_t arrival_ns;
};

struct intake_clock {
    double claimed_period_ns; /* 0: none */
    double prior_period_ns;   /* what the epoch began with */
    double prior_error;       /* relative; HUGE_VAL: nothing known */

    /* The line: scan `at.scan` was at `at.arrival_ns`. */
    struct point at;
    double period_ns;
    double scatter_ns;  /* mean distance of the slices' best points */
    double slope_error; /* relative */
    bool exact;
    bool started;

    struct point origin;       /* the epoch's first */
    struct point best[SLICES]; /* of each slice that had points, oldest at `first` */
    size_t first, count;       /* the newest slice is still being filled */
    int64_t slice_begin_ns;

    bool anchored;
    struct point anchor; /* the line as last written down */
    double anchor_period_ns;
};

int intake_clock_new(double claimed_hz, struct intake_clock **clock) {
    struct intake_clock *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    bool claimed = isfinite(claimed_hz) && claimed_hz > 0.0;
    made->claimed_period_ns = claimed ? 1e9 / claimed_hz : 0.0;
    made->period_ns = claimed ? 1e9 / claimed_hz : GUESS_PERIOD_NS;
    made->prior_period_ns = made->period_ns;
    made->prior_error = claimed ? CLAIM_ERROR : HUGE_VAL;
    made->slope_error = made->prior_error;
    made->scatter_ns = SCATTER_FIRST;
    *clock = made;
    return 0;
}

void intake_clock_free(struct intake_clock *clock) {
    free(clock);
}

void intake_clock_restart(struct intake_clock *clock) {
    clock->prior_period_ns = clock->period_ns;
    if (!clock->exact && isfinite(clock->slope_error))
        clock->prior_error = fmin(clock->prior_error, fmax(clock->slope_error, FOUND_ERROR));
    clock->slope_error = clock->prior_error;
    clock->scatter_ns = SCATTER_FIRST;
    clock->first = 0;
    clock->count = 0;
    clock->started = false;
    clock->exact = false;
    clock->anchored = false;
}

static const struct point *best_of(const struct intake_clock *clock, size_t slice) {
    return &clock->best[(clock->first + slice) % SLICES];
}

/* Signed numbers of scans and nanoseconds between two points. */
static double scans_between(const struct point *from, const struct point *to) {
    return (double)(int64_t)(to->scan - from->scan);
}

static double ns_between(const struct point *from, const struct point *to) {
    return (double)(to->arrival_ns - from->arrival_ns);
}

/* How far `point` lies above the line of this slope through `base`. */
static double height_over(const struct point *base, double period_ns, const struct point *point) {
    return ns_between(base, point) - scans_between(base, point) * period_ns;
}

/* The slope of the hull's edge over the middle of all points; false where there is no edge. */
static bool hull_slope(const struct intake_clock *clock, double *period_ns, double *span_ns) {
    const struct point *hull[SLICES];
    const struct point *base = best_of(clock, 0);
    size_t corners = 0;
    double middle = 0.0;
    for (size_t i = 0; i < clock->count; i++) {
        const struct point *point = best_of(clock, i);
        middle += scans_between(base, point) / (double)clock->count;
        if (corners > 0 && hull[corners - 1]->scan == point->scan)
            continue; /* at a very slow board: no later point of the same scan is lower */
        while (corners >= 2) {
            const struct point *before = hull[corners - 2], *last = hull[corners - 1];
            double turn = ns_between(before, last) * scans_between(before, point) -
                          ns_between(before, point) * scans_between(before, last);
            if (turn < 0.0) /* `last` lies below the chord from `before` to `point` */
                break;
            corners--;
        }
        hull[corners++] = point;
    }
    if (corners < 2)
        return false;
    size_t edge = 1;
    while (edge + 1 < corners && scans_between(base, hull[edge]) < middle)
        edge++;
    *period_ns = ns_between(hull[edge - 1], hull[edge]) / scans_between(hull[edge - 1], hull[edge]);
    *span_ns = ns_between(hull[0], hull[corners - 1]);
    return *period_ns > 0.0 && *span_ns > 0.0;
}

/* The lowest of the slices' points for lines of that slope, and the mean distance above it. */
static const struct point *lowest_point(const struct intake_clock *clock, double period_ns,
                                        double *scatter_ns) {
    const struct point *base = best_of(clock, 0), *lowest = base;
    double least = 0.0, sum = 0.0;
    for (size_t i = 0; i < clock->count; i++) {
        double height = height_over(base, period_ns, best_of(clock, i));
        sum += height;
        if (height < least) {
            least = height;
            lowest = best_of(clock, i);
        }
    }
    double mean = sum / (double)clock->count - least;
    *scatter_ns = clock->count >= 4 ? fmax(SCATTER_LEAST, mean) : SCATTER_FIRST;
    return lowest;
}

/* The slope: what the epoch began with and what the hull says, each by its certainty. */
static void find_slope(struct intake_clock *clock) {
    double hull_period, span_ns, scatter_ns;
    if (!hull_slope(clock, &hull_period, &span_ns))
        return;
    (void)lowest_point(clock, hull_period, &scatter_ns);
    double hull_error = scatter_ns / span_ns;
    double apart = fabs(hull_period / clock->prior_period_ns - 1.0);
    if (apart > CONTRADICTION * hypot(hull_error, clock->prior_error))
        clock->prior_error = HUGE_VAL; /* not this board's rate at all: no use in averaging */

    double prior_weight = 1.0 / (clock->prior_error * clock->prior_error);
    double hull_weight = 1.0 / (hull_error * hull_error);
    clock->period_ns = (prior_weight * clock->prior_period_ns + hull_weight * hull_period) /
                       (prior_weight + hull_weight);
    clock->slope_error = 1.0 / sqrt(prior_weight + hull_weight);
}

static void fit(struct intake_clock *clock) {
    find_slope(clock);
    const struct point *lowest = lowest_point(clock, clock->period_ns, &clock->scatter_ns);
    /* Reckoned from the newest slice, so that rounding stays small in a long epoch. */
    const struct point *newest = best_of(clock, clock->count - 1);
    double ahead_ns = scans_between(lowest, newest) * clock->period_ns;
    clock->at = (struct point){newest->scan, lowest->arrival_ns + llround(ahead_ns)};
}

/* Opens a slice with its first point. */
static void add_slice(struct intake_clock *clock, struct point point) {
    if (clock->count == SLICES) {
        clock->first = (clock->first + 1) % SLICES;
        clock->count--;
    }
    clock->best[(clock->first + clock->count) % SLICES] = point;
    clock->count++;
    clock->slice_begin_ns = point.arrival_ns;
}

/* Within the first slice there is no envelope yet: the least that can be said. */
static void begin_line(struct intake_clock *clock, const struct point *point) {
    double scans = scans_between(&clock->origin, point), ns = ns_between(&clock->origin, point);
    if (isinf(clock->prior_error) && scans > 0.0 && ns > 0.0)
        clock->period_ns = ns / scans;
    clock->at = clock->best[clock->first];
}

void intake_clock_arrived(struct intake_clock *clock, uint64_t scans, int64_t arrival_ns) {
    if (scans == 0 || clock->exact)
        return;
    struct point point = {scans - 1, arrival_ns};
    if (!clock->started) {
        clock->started = true;
        clock->origin = point;
        clock->at = point;
        add_slice(clock, point);
        return;
    }
    struct point *newest = &clock->best[(clock->first + clock->count - 1) % SLICES];
    if (arrival_ns - clock->slice_begin_ns >= SLICE_NS) {
        fit(clock); /* with the slice that is whole now */
        add_slice(clock, point);
    } else if (height_over(newest, clock->period_ns, &point) < 0.0) {
        *newest = point;
    }
    if (clock->count == 1)
        begin_line(clock, &point);
}

void intake_clock_exact(struct intake_clock *clock, uint64_t scan, int64_t elapsed_ns) {
    struct point point = {scan, elapsed_ns};
    if (clock->exact && scan > clock->at.scan && clock->claimed_period_ns <= 0.0)
        clock->period_ns = ns_between(&clock->at, &point) / scans_between(&clock->at, &point);
    else if (clock->claimed_period_ns > 0.0)
        clock->period_ns = clock->claimed_period_ns;
    clock->at = point;
    clock->exact = true;
    clock->started = true;
    clock->scatter_ns = 0.0;
    clock->slope_error = 0.0;
}

static int64_t time_on(const struct point *at, double period_ns, uint64_t scan) {
    return at->arrival_ns + llround((double)(int64_t)(scan - at->scan) * period_ns);
}

int64_t intake_clock_time(const struct intake_clock *clock, uint64_t scan) {
    return time_on(&clock->at, clock->period_ns, scan);
}

double intake_clock_rate(const struct intake_clock *clock) {
    return 1e9 / clock->period_ns;
}

double intake_clock_ppm(const struct intake_clock *clock) {
    if (clock->claimed_period_ns <= 0.0)
        return 0.0;
    return (clock->claimed_period_ns / clock->period_ns - 1.0) * 1e6;
}

double intake_clock_error_ns(const struct intake_clock *clock) {
    return clock->scatter_ns;
}

bool intake_clock_anchor_due(const struct intake_clock *clock, uint64_t scan) {
    if (!clock->started)
        return false;
    if (!clock->anchored)
        return true;
    int64_t now = intake_clock_time(clock, scan);
    double moved = fabs((double)(now - time_on(&clock->anchor, clock->anchor_period_ns, scan)));
    return moved > fmax(clock->scatter_ns, SCATTER_LEAST) ||
           (double)(now - clock->anchor.arrival_ns) >= ANCHOR_EVERY_NS;
}

void intake_clock_anchored(struct intake_clock *clock, uint64_t scan) {
    clock->anchor = (struct point){scan, intake_clock_time(clock, scan)};
    clock->anchor_period_ns = clock->period_ns;
    clock->anchored = true;
}
