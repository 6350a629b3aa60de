// SPDX-License-Identifier: Apache-2.0
/*
 * window.c - phases and scans by time.
 */
#include "window.h"

#include <math.h>

enum phase window_phase_at(const struct window *window, double at_s) {
    enum phase phase = PHASE_UNKNOWN;
    for (size_t i = 0; i < window->phase_count && window->phases[i].from_s <= at_s; i++)
        phase = window->phases[i].phase;
    return phase;
}

double window_lag_s(const struct window *window, size_t channel) {
    const struct vehicle_channel *of = &window->vehicle->channels[channel];
    return of->skew_s - of->delay_s;
}

size_t window_scans_before(const struct record_run *run, double lag_s, double at_s) {
    double scans = ceil((at_s - run->time_s - lag_s) / run->period_s - 1e-9);
    if (!(scans > 0.0))
        return 0;
    return scans < (double)run->scans ? (size_t)scans : run->scans;
}
