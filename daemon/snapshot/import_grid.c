// SPDX-License-Identifier: Apache-2.0
/*
 * import_grid.c - rows with a time to scans that follow evenly.
 */
#include "import_grid.h"

#include <math.h>
#include <stdlib.h>

/*
 * The share of a row's deviation that moves the grid, and its period: a second-order follower
 * that is critically damped (period gain = phase gain^2 / 4) and settles within some 200 rows.
 */
#define PHASE_GAIN  (1.0 / 64)
#define PERIOD_GAIN (PHASE_GAIN * PHASE_GAIN / 4)

#define PERIODS_MOST 1e15 /* of one step: a number of scans that cannot overflow */

static int by_size(const void *left, const void *right) {
    const double *a = left;
    const double *b = right;
    return *a < *b ? -1 : *a > *b;
}

/* Sorts and gives the middle one; 0 where there is none. */
static double median(double *values, size_t count) {
    qsort(values, count, sizeof *values, by_size);
    return count ? values[count / 2] : 0;
}

/* Which scan each row is, as far as the median step tells. */
static void number_rows(const double *times, size_t count, double step, uint64_t *scans) {
    scans[0] = 0;
    for (size_t i = 1; i < count; i++) {
        double periods = round((times[i] - times[i - 1]) / step);
        bool rises = times[i] > times[i - 1];
        scans[i] = scans[i - 1] + (rises ? (uint64_t)fmin(fmax(periods, 1), PERIODS_MOST) : 0);
    }
}

/* The median slope between rows that are `apart`: room for `count` of them in `slopes`. */
static double median_slope(const double *times, const uint64_t *scans, size_t count, size_t apart,
                           double *slopes) {
    size_t found = 0;
    for (size_t i = apart; i < count; i++)
        if (scans[i] > scans[i - apart] && times[i] > times[i - apart])
            slopes[found++] = (times[i] - times[i - apart]) / (double)(scans[i] - scans[i - apart]);
    return median(slopes, found);
}

/* How many rows a grid with that period does not place. */
static size_t count_misplaced(const double *times, size_t count, double period_s) {
    struct import_grid grid;
    struct import_step step;
    size_t misplaced = 0;
    import_grid_begin(&grid, period_s);
    for (size_t i = 0; i < count; i++)
        misplaced += import_grid_place(&grid, times[i], &step) != IMPORT_PLACED;
    return misplaced;
}

/*
 * Neighbours are spoilt by rounded times, rows far apart by a single step that is wrong between
 * them: of the medians over several distances the one that places most rows is right.
 */
static double best_period(const double *times, size_t count, double *work, uint64_t *scans) {
    size_t rising = 0;
    for (size_t i = 1; i < count; i++)
        if (times[i] > times[i - 1])
            work[rising++] = times[i] - times[i - 1];
    double best = median(work, rising);
    if (rising == 0)
        return 0;
    number_rows(times, count, best, scans);
    size_t least = count_misplaced(times, count, best);
    for (size_t apart = count - 1; apart > 1 && least > 0; apart /= 2) {
        double slope = median_slope(times, scans, count, apart, work);
        size_t misplaced = slope > 0 ? count_misplaced(times, count, slope) : count;
        if (misplaced < least) {
            best = slope;
            least = misplaced;
        }
    }
    return best;
}

double import_grid_period(const double *times, size_t count) {
    double *work = calloc(count + 1, sizeof *work);
    uint64_t *scans = calloc(count + 1, sizeof *scans);
    double period_s = work && scans ? best_period(times, count, work, scans) : 0;
    free(scans);
    free(work);
    return period_s;
}

void import_grid_begin(struct import_grid *grid, double period_s) {
    *grid = (struct import_grid){.period_s = period_s};
}

static enum import_place place_first(struct import_grid *grid, double time_s) {
    grid->begun = true;
    grid->time_s = time_s;
    grid->last_s = time_s;
    return IMPORT_PLACED;
}

enum import_place import_grid_place(struct import_grid *grid, double time_s,
                                    struct import_step *step) {
    *step = (struct import_step){0};
    if (!grid->begun)
        return place_first(grid, time_s);
    if (time_s <= grid->last_s)
        return time_s < grid->last_s ? IMPORT_BACKWARDS : IMPORT_SAME_TIME;

    double periods = (time_s - grid->time_s) / grid->period_s;
    double whole = fmin(fmax(round(periods), 1), PERIODS_MOST);
    bool far = whole > IMPORT_FAR;
    double deviation = periods - whole;
    bool uneven = !far && fabs(deviation) > IMPORT_TOLERANCE;
    step->deviation = far ? 0 : deviation;
    step->missing = uneven ? 0 : (uint64_t)whole - 1;
    grid->scan += (uint64_t)whole;
    grid->last_s = time_s;
    if (far || uneven) {
        grid->time_s = time_s;
    } else {
        double off_s = deviation * grid->period_s;
        grid->time_s = time_s - off_s * (1 - PHASE_GAIN);
        grid->period_s += off_s * PERIOD_GAIN;
    }
    return uneven ? IMPORT_UNEVEN : IMPORT_PLACED;
}
