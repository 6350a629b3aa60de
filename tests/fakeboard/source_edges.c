// SPDX-License-Identifier: Apache-2.0
/*
 * source_edges.c - plays a recording of edges (time, logic levels after the change) as the volts
 * of a vehicle that would have made them: battery, feed, return, then the signals.
 *
 * A plain circuit of its own, on purpose not the simulator's: the battery is a voltage behind a
 * resistance and one slow polarisation, the starter a current with a surge and a ripple. What is
 * computed here is only what stands beside the recording; the recording decides the signals.
 */
#include "source.h"
#include "table.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Volts, amperes, ohms and seconds of an ordinary 12 V car. */
#define REST_V          12.6
#define CHARGING_V      14.2
#define CHARGING_RISE_S 0.8
#define TIRED_V         0.1 /* lower at rest after cranking */
#define RECOVERY_S      0.25
#define INNER_OHM       0.009
#define SLOW_OHM        0.003
#define SLOW_S          0.8
#define SURGE_A         600.0
#define RUN_A           180.0
#define SURGE_RISE_S    0.003
#define SURGE_FALL_S    0.035
#define RIPPLE          0.25 /* of RUN_A, either way */
#define RIPPLE_HZ       6.0  /* where the angle is not known: 180 turns a minute, 4 cylinders */
#define RUNS_ON_S       0.3  /* edges so long after the starter let go: the engine runs */
#define FEED_V          5.0
#define FEED_FALL_S     0.002
#define RETURN_V        0.004
#define RETURN_OHM      0.00003 /* of the starter's current that the return's ground shares */
#define LOW_V           0.04
#define HIGH_V          4.98

enum { BATTERY, FEED, RETURN, SIGNALS };
static const double noise_v[] = {0.008, 0.003, 0.001, 0.006};

struct edges {
    struct table table;
    struct edges_plan plan;
    double begin_s, first_edge_s;
    uint64_t scan, scans;
    size_t row;
    bool runs_on;
    uint64_t random;
    size_t turn_row; /* the last row at which the first signal rose, and how often it had */
    double turn_rises;
};

static double uniform(struct edges *edges) {
    edges->random ^= edges->random << 13;
    edges->random ^= edges->random >> 7;
    edges->random ^= edges->random << 17;
    return ((double)(edges->random >> 11) + 0.5) / 9007199254740992.0;
}

/* Of unit variance and normal enough: the sum of twelve uniform ones. */
static double noise(struct edges *edges) {
    double sum = -6;
    for (int i = 0; i < 12; i++)
        sum += uniform(edges);
    return sum;
}

static bool rises(const struct table *table, size_t row) {
    return row > 0 && table_at(table, row, 1) > 0.5 && table_at(table, row - 1, 1) <= 0.5;
}

static size_t next_rise(const struct table *table, size_t row) {
    do
        row++;
    while (row < table->rows && !rises(table, row));
    return row;
}

/* Turns of the crank so far, from the edges of the first signal. */
static double turns(struct edges *edges, double time_s) {
    const struct table *table = &edges->table;
    size_t next = next_rise(table, edges->turn_row);
    while (next < table->rows && table_at(table, next, 0) <= time_s) {
        edges->turn_row = next;
        edges->turn_rises += 1;
        next = next_rise(table, next);
    }
    double before = table_at(table, edges->turn_row, 0);
    double part = 0;
    if (next < table->rows && time_s > before)
        part = (time_s - before) / (table_at(table, next, 0) - before);
    return (edges->turn_rises + part) / edges->plan.teeth;
}

/* -1..1: how hard the compressions work against the starter. */
static double compression(struct edges *edges, double time_s) {
    double cycles = edges->plan.teeth ? turns(edges, time_s) * edges->plan.cylinders / 2
                                      : RIPPLE_HZ * (time_s - edges->plan.crank.from_s);
    return cos(2 * M_PI * cycles);
}

static double starter_current(struct edges *edges, double time_s) {
    double engaged_s = time_s - edges->plan.crank.from_s;
    if (engaged_s < 0 || time_s >= edges->plan.crank.to_s)
        return 0;
    double surge = (SURGE_A - RUN_A) * exp(-engaged_s / SURGE_FALL_S);
    double run = RUN_A * (1 + RIPPLE * compression(edges, time_s) * -expm1(-engaged_s / 0.1));
    return (run + surge) * -expm1(-engaged_s / SURGE_RISE_S);
}

static double battery(const struct edges *edges, double time_s, double current_a) {
    const struct stretch *crank = &edges->plan.crank;
    double engaged_s = fmin(time_s, crank->to_s) - crank->from_s;
    double slow_v = engaged_s > 0 ? RUN_A * SLOW_OHM * -expm1(-engaged_s / SLOW_S) : 0;
    double since_s = time_s - crank->to_s;
    if (since_s < 0)
        return REST_V - slow_v - current_a * INNER_OHM;
    double recovering = exp(-since_s / RECOVERY_S);
    if (edges->runs_on)
        return CHARGING_V - (CHARGING_V - REST_V + slow_v) * exp(-since_s / CHARGING_RISE_S);
    return REST_V - TIRED_V - fmax(slow_v - TIRED_V, 0) * recovering;
}

static double feed(const struct edges *edges, double time_s) {
    const struct stretch *collapse = &edges->plan.collapse;
    double depth_v = FEED_V - edges->plan.collapse_v;
    double down_s = fmin(time_s, collapse->to_s) - collapse->from_s;
    if (collapse->to_s <= collapse->from_s || down_s < 0)
        return FEED_V;
    double down_v = depth_v * -expm1(-down_s / FEED_FALL_S);
    double since_s = time_s - collapse->to_s;
    return FEED_V - (since_s > 0 ? down_v * exp(-since_s / FEED_FALL_S) : down_v);
}

static bool is_dead(const struct edges *edges, double time_s) {
    return time_s >= edges->plan.collapse.from_s && time_s < edges->plan.collapse.to_s;
}

static bool edges_next(void *state, double *volts) {
    struct edges *edges = state;
    const struct table *table = &edges->table;
    if (edges->scan == edges->scans)
        return false;
    double time_s = edges->begin_s + (double)edges->scan / edges->plan.rate_hz;
    while (edges->row + 1 < table->rows && table_at(table, edges->row + 1, 0) <= time_s)
        edges->row++;
    double current_a = starter_current(edges, time_s);
    volts[BATTERY] = battery(edges, time_s, current_a);
    volts[FEED] = feed(edges, time_s);
    volts[RETURN] = RETURN_V + current_a * RETURN_OHM;
    for (size_t i = 1; i < table->columns; i++) {
        bool high =
            is_dead(edges, time_s) ? edges->plan.dead_high : table_at(table, edges->row, i) > 0.5;
        volts[SIGNALS + i - 1] = high ? HIGH_V : LOW_V;
    }
    for (size_t i = 0; i < SIGNALS + table->columns - 1; i++)
        volts[i] += noise_v[i < SIGNALS ? i : SIGNALS] * noise(edges);
    edges->scan++;
    return true;
}

static void edges_close(void *state) {
    struct edges *edges = state;
    table_free(&edges->table);
    free(edges);
}

static bool changes(const struct table *table, size_t row) {
    for (size_t i = 1; i < table->columns; i++)
        if ((table_at(table, row, i) > 0.5) != (table_at(table, row - 1, i) > 0.5))
            return true;
    return false;
}

/* Where the starter's time was not given: what the edges say. */
static int place_crank(struct edges *edges, const char *path) {
    const struct table *table = &edges->table;
    size_t first = 1;
    while (first < table->rows && !changes(table, first))
        first++;
    if (first == table->rows) {
        fprintf(stderr, "fakeboard: %s: no level ever changes\n", path);
        return -1;
    }
    edges->first_edge_s = table_at(table, first, 0);
    double last_s = table_at(table, table->rows - 1, 0);
    if (edges->plan.crank.to_s <= edges->plan.crank.from_s)
        edges->plan.crank = (struct stretch){edges->first_edge_s - 0.2, last_s};
    edges->runs_on = last_s > edges->plan.crank.to_s + RUNS_ON_S;
    return 0;
}

/* What a test must know of the volts that it will find: all in the board's seconds. */
static void tell(const struct edges *edges) {
    const struct edges_plan *plan = &edges->plan;
    double begin_s = edges->begin_s;
    fprintf(stderr,
            "fakeboard: second 0 of the board is %.6f of the recording; the starter is engaged "
            "from %.3f to %.3f s of the board%s; the first edge comes at %.6f s\n",
            begin_s, plan->crank.from_s - begin_s, plan->crank.to_s - begin_s,
            edges->runs_on ? ", then the engine runs" : "", edges->first_edge_s - begin_s);
    if (plan->collapse.to_s > plan->collapse.from_s)
        fprintf(stderr, "fakeboard: the feed falls at %.6f s and comes back at %.6f s\n",
                plan->collapse.from_s - begin_s, plan->collapse.to_s - begin_s);
}

static void name_inputs(const struct table *table, struct source *source) {
    static const char *const names[] = {"battery", "feed", "return"};
    for (size_t i = 0; i < SIGNALS; i++)
        snprintf(source->input_names[i], sizeof source->input_names[i], "%s", names[i]);
    for (size_t i = 1; i < table->columns; i++)
        snprintf(source->input_names[SIGNALS + i - 1], sizeof source->input_names[0], "signal %zu",
                 i);
}

int source_edges_open(const char *path, const struct edges_plan *plan, struct source *source) {
    struct edges *edges = calloc(1, sizeof *edges);
    if (!edges || table_read(path, &edges->table) < 0) {
        free(edges);
        return -1;
    }
    const struct table *table = &edges->table;
    edges->plan = *plan;
    edges->random = plan->seed * 0x9E3779B97F4A7C15u | 1;
    if (table->columns - 1 + SIGNALS > SOURCE_INPUTS_MAX || place_crank(edges, path) < 0) {
        edges_close(edges);
        return -1;
    }
    double last_s = table_at(table, table->rows - 1, 0);
    edges->begin_s = table_at(table, 0, 0) - plan->lead_in_s;
    edges->scans =
        1 + (uint64_t)llround((last_s + plan->lead_out_s - edges->begin_s) * plan->rate_hz);
    tell(edges);
    *source = (struct source){.inputs = SIGNALS + table->columns - 1,
                              .rate_hz = plan->rate_hz,
                              .state = edges,
                              .next = edges_next,
                              .close = edges_close};
    name_inputs(table, source);
    return 0;
}
