// SPDX-License-Identifier: Apache-2.0
/*
 * pulses.c - keeps what edges.c finds.
 */
#include "pulses.h"

#include "edges.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define MOST_PULSES (1U << 20) /* ten minutes of a 60-2 wheel at idle */
#define MOST_HOLES  256

struct pulses {
    const struct window *window;
    size_t channel;
    struct edges *edges;
    size_t count, room, dropped;
    struct pulse *list;
    size_t hole_count;
    struct pulses_hole holes[MOST_HOLES];
    double period_s;
    double last_s; /* newest sample; NAN: none */
    int error;
};

int pulses_new(const struct window *window, size_t channel, struct pulses **pulses) {
    const struct vehicle *vehicle = window->vehicle;
    struct pulses *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->window = window;
    made->channel = channel;
    made->last_s = (double)NAN;
    int result = edges_new_of_channel(vehicle, channel, &made->edges);
    if (result != 0) {
        pulses_free(made);
        return result;
    }
    *pulses = made;
    return 0;
}

void pulses_free(struct pulses *pulses) {
    if (pulses == NULL)
        return;
    edges_free(pulses->edges);
    free(pulses->list);
    free(pulses);
}

static void keep(void *context, const struct edge *edge) {
    struct pulses *pulses = context;
    if (edge->at_s < pulses->window->from_s || edge->at_s >= pulses->window->to_s)
        return;
    if (pulses->count == MOST_PULSES) {
        pulses->dropped++;
        return;
    }
    if (pulses->count == pulses->room) {
        size_t room = pulses->room == 0 ? 256 : pulses->room * 2;
        struct pulse *list = realloc(pulses->list, room * sizeof *list);
        if (list == NULL) {
            pulses->error = -ENOMEM;
            return;
        }
        pulses->list = list;
        pulses->room = room;
    }
    pulses->list[pulses->count++] = (struct pulse){edge->at_s, edge->rises, edge->first_state};
}

static void note_hole(struct pulses *pulses, double from_s, double to_s) {
    edges_break(pulses->edges);
    if (isnan(from_s))
        return;
    if (pulses->hole_count == MOST_HOLES) /* the last one grows: nothing is taken for seen */
        pulses->holes[MOST_HOLES - 1].to_s = to_s;
    else
        pulses->holes[pulses->hole_count++] = (struct pulses_hole){from_s, to_s};
}

int pulses_push(struct pulses *pulses, const struct record_run *run) {
    const struct vehicle_channel *of = &pulses->window->vehicle->channels[pulses->channel];
    if (of->stream != run->stream || of->input >= run->inputs)
        return 0;
    double first_s = run->time_s + window_lag_s(pulses->window, pulses->channel);
    if (run->after_loss)
        note_hole(pulses, pulses->last_s, first_s);
    if (run->period_s > pulses->period_s)
        pulses->period_s = run->period_s;
    edges_push(pulses->edges, run->counts[of->input], run->scans, first_s, run->period_s, keep,
               pulses);
    pulses->last_s = first_s + (double)(run->scans - 1) * run->period_s;
    return pulses->error;
}

const struct pulse *pulses_list(const struct pulses *pulses, size_t *count) {
    *count = pulses->count;
    return pulses->list;
}

const struct pulses_hole *pulses_holes(const struct pulses *pulses, size_t *count) {
    *count = pulses->hole_count;
    return pulses->holes;
}

bool pulses_in_hole(const struct pulses *pulses, double from_s, double to_s) {
    for (size_t i = 0; i < pulses->hole_count; i++) {
        if (pulses->holes[i].from_s < to_s && pulses->holes[i].to_s > from_s)
            return true;
    }
    return false;
}

size_t pulses_after(const struct pulses *pulses, double at_s) {
    size_t low = 0;
    size_t high = pulses->count;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (pulses->list[middle].at_s > at_s)
            high = middle;
        else
            low = middle + 1;
    }
    return low;
}

double pulses_period_s(const struct pulses *pulses) {
    return pulses->period_s;
}

double pulses_until_s(const struct pulses *pulses) {
    return pulses->last_s;
}

size_t pulses_dropped(const struct pulses *pulses) {
    return pulses->dropped;
}
