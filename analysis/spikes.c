// SPDX-License-Identifier: Apache-2.0
/*
 * spikes.c - each state against those around it.
 */
#include "spikes.h"

#include "sorted.h"

#include <math.h>

/* Common practice, no source: */
#define SPIKE_S       0.0004 /* no tooth passes so fast while a starter turns the engine */
#define SPIKE_SAMPLES 2.6    /*   nor is one told by fewer samples than that, where others take */
#define SPIKE_SHARE   0.2    /*   much longer: this part of theirs */
#define AROUND        12     /* states on either side */
#define FEWEST_AROUND 8

/* Far shorter than the state that a quarter of those around, every `step`-th, is longer than. */
static bool is_shorter(const struct pulse *list, size_t count, size_t i, size_t step) {
    double widths[2 * AROUND];
    size_t kept = 0;
    size_t back = i / step < AROUND ? i / step : AROUND;
    for (size_t k = i - back * step; k + 1 < count && kept < 2 * AROUND; k += step)
        if (k != i)
            widths[kept++] = list[k + 1].at_s - list[k].at_s;
    if (kept < FEWEST_AROUND)
        return false;
    sorted_order(widths, kept);
    return list[i + 1].at_s - list[i].at_s < SPIKE_SHARE * widths[kept * 3 / 4];
}

/*
 * Against all the states around it, and against those of its own level: of a signal of low duty
 * every pulse is short. Neither a wheel's gap nor other spikes set the measure.
 */
static bool stands_out(const struct pulse *list, size_t count, size_t i) {
    return is_shorter(list, count, i, 1) && is_shorter(list, count, i, 2);
}

struct spikes spikes_find(const struct evidence *evidence, size_t channel) {
    const struct pulses *pulses = evidence->pulses[channel];
    struct spikes spikes = {0};
    size_t count;
    const struct pulse *list = pulses_list(pulses, &count);
    double narrow_s = fmax(SPIKE_S, SPIKE_SAMPLES * pulses_period_s(pulses));
    for (size_t i = pulses_after(pulses, evidence->window->engaged_s); i + 1 < count; i++) {
        double width_s = list[i + 1].at_s - list[i].at_s;
        enum phase phase = window_phase_at(evidence->window, list[i].at_s);
        if (width_s >= narrow_s || list[i + 1].first_state || phase != PHASE_CRANKING || i == 0 ||
            evidence_catches(evidence, list[i].at_s) || !stands_out(list, count, i))
            continue;
        if (spikes.count++ == 0) {
            spikes.last_s = list[i - 1].at_s;
            spikes.first_s = list[i].at_s;
            spikes.phase = phase;
        }
        spikes.widest_s = fmax(spikes.widest_s, width_s);
        spikes.to_s = list[i + 1].at_s;
        i++; /* the edge that ends it begins no other */
    }
    return spikes;
}
