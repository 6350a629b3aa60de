// SPDX-License-Identifier: Apache-2.0
/*
 * edges.c - an envelope of the recent extremes, hysteresis within it, crossings of its middle.
 *
 * Samples are taken in short chunks. A chunk whose extremes stay on one side costs a minimum and
 * a maximum; only a chunk that may hold an edge is walked.
 */
#include "edges.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define CHUNK 32

/* Hysteresis: part of the swing about its middle that counts as neither state. */
#define HALL_BAND      0.4
#define INDUCTIVE_BAND 0.2

/* A smaller swing is noise; a Hall output swings volts, an inductive one little when slow. */
#define HALL_LEAST_SWING      1.0
#define INDUCTIVE_LEAST_SWING 0.2

/* How long an extreme is remembered: an inductive signal shrinks as the engine slows. */
#define HALL_MEMORY_S      2.0
#define INDUCTIVE_MEMORY_S 0.5

enum state { STATE_UNKNOWN, STATE_LOW, STATE_HIGH };

struct edges {
    bool falls; /* the scale falls: high counts are low values */
    double least_swing;
    double band;
    double memory_s;
    bool begun; /* `last` and the envelope hold something */
    bool state_begun_seen;
    int32_t last;     /* newest sample */
    double low, high; /* envelope, counts */
    enum state state;
    double crossed_s; /* newest crossing of the middle */
};

int edges_new(const struct scale *scale, enum sensor_kind kind, struct edges **edges) {
    struct edges *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    double slope = (scale->values[scale->points - 1] - scale->values[0]) /
                   (scale->counts[scale->points - 1] - scale->counts[0]);
    double least = kind == SENSOR_INDUCTIVE ? INDUCTIVE_LEAST_SWING : HALL_LEAST_SWING;
    made->falls = slope < 0.0;
    made->least_swing = slope == 0.0 ? HUGE_VAL : least / fabs(slope);
    made->band = kind == SENSOR_INDUCTIVE ? INDUCTIVE_BAND : HALL_BAND;
    made->memory_s = kind == SENSOR_INDUCTIVE ? INDUCTIVE_MEMORY_S : HALL_MEMORY_S;
    *edges = made;
    return 0;
}

void edges_free(struct edges *edges) {
    free(edges);
}

void edges_break(struct edges *edges) {
    edges->begun = false;
    edges->state = STATE_UNKNOWN;
    edges->state_begun_seen = false;
}

static void find_extremes(const int32_t *counts, size_t count, int32_t *lowest, int32_t *highest) {
    int32_t low = counts[0];
    int32_t high = counts[0];
    for (size_t i = 1; i < count; i++) {
        low = counts[i] < low ? counts[i] : low;
        high = counts[i] > high ? counts[i] : high;
    }
    *lowest = low;
    *highest = high;
}

/* Opens the envelope at once, lets it shrink slowly towards what the chunk shows. */
static void follow(struct edges *edges, int32_t lowest, int32_t highest, double chunk_s) {
    double share = chunk_s < edges->memory_s ? chunk_s / edges->memory_s : 1.0;
    if (lowest <= edges->low)
        edges->low = lowest;
    else
        edges->low += (lowest - edges->low) * share;
    if (highest >= edges->high)
        edges->high = highest;
    else
        edges->high += (highest - edges->high) * share;
}

struct thresholds {
    double low, middle, high;
};

static enum state state_of(const struct thresholds *thresholds, int32_t value,
                           enum state otherwise) {
    if (value < thresholds->low)
        return STATE_LOW;
    if (value > thresholds->high)
        return STATE_HIGH;
    return otherwise;
}

/* Looks at every sample of a chunk that may hold an edge. */
static void walk(struct edges *edges, const struct thresholds *thresholds, const int32_t *counts,
                 size_t count, double time_s, double period_s,
                 void (*report)(void *context, const struct edge *edge), void *context) {
    int32_t before = edges->last;
    if (edges->state == STATE_UNKNOWN)
        edges->state = state_of(thresholds, before, STATE_UNKNOWN);
    for (size_t i = 0; i < count; i++) {
        int32_t value = counts[i];
        if ((before < thresholds->middle) != (value < thresholds->middle)) {
            double part = (thresholds->middle - before) / ((double)value - before);
            edges->crossed_s = time_s + period_s * ((double)i - 1.0 + part);
        }
        enum state state = state_of(thresholds, value, edges->state);
        if (state != edges->state && edges->state != STATE_UNKNOWN) {
            struct edge edge = {
                .at_s = edges->crossed_s,
                .rises = (state == STATE_HIGH) != edges->falls,
                .first_state = !edges->state_begun_seen,
            };
            edges->state_begun_seen = true;
            report(context, &edge);
        }
        edges->state = state;
        before = value;
    }
}

static bool stays(const struct edges *edges, const struct thresholds *thresholds, int32_t lowest,
                  int32_t highest) {
    return (edges->state == STATE_HIGH && lowest >= thresholds->middle) ||
           (edges->state == STATE_LOW && highest < thresholds->middle);
}

void edges_push(struct edges *edges, const int32_t *counts, size_t count, double time_s,
                double period_s, void (*report)(void *context, const struct edge *edge),
                void *context) {
    for (size_t i = 0; i < count;) {
        size_t length = count - i < CHUNK ? count - i : CHUNK;
        int32_t lowest;
        int32_t highest;
        find_extremes(counts + i, length, &lowest, &highest);
        if (!edges->begun) {
            edges->begun = true;
            edges->last = counts[i];
            edges->low = lowest;
            edges->high = highest;
        }
        follow(edges, lowest, highest, (double)length * period_s);
        double swing = edges->high - edges->low;
        if (swing >= edges->least_swing) {
            struct thresholds thresholds = {
                .low = edges->low + 0.5 * (1.0 - edges->band) * swing,
                .middle = edges->low + 0.5 * swing,
                .high = edges->low + 0.5 * (1.0 + edges->band) * swing,
            };
            if (!stays(edges, &thresholds, lowest, highest))
                walk(edges, &thresholds, counts + i, length, time_s + period_s * (double)i,
                     period_s, report, context);
        }
        edges->last = counts[i + length - 1];
        i += length;
    }
}
