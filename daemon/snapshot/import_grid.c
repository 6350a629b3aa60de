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

static int by_size(const void *left, const void *right) {
    const double *a = left;
    const double *b = right;
    return *a < *b ? -1 : *a > *b;
}

double import_grid_period(const double *times, size_t count) {
    double *steps = calloc(count ? count : 1, sizeof *steps);
    if (!steps)
        return 0;
    size_t rising = 0;
    for (size_t i = 1; i < count; i++)
        if (times[i] > times[i - 1])
            steps[rising++] = times[i] - times[i - 1];
    double period = 0;
    if (rising) {
        qsort(steps, rising, sizeof *steps, by_size);
        double median = steps[rising / 2];
        double sum = 0;
        size_t near = 0;
        for (size_t i = 0; i < rising; i++)
            if (steps[i] > 0.5 * median && steps[i] < 1.5 * median) {
                sum += steps[i];
                near++;
            }
        period = sum / (double)near; /* the median itself is near */
    }
    free(steps);
    return period;
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
    double whole = fmin(fmax(round(periods), 1), 1e18);
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
