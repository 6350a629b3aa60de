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
#define INDUCTIVE_BAND 0.12

/* A smaller swing is noise; a Hall output swings volts, an inductive one little when slow. */
#define HALL_LEAST_SWING      1.0
#define INDUCTIVE_LEAST_SWING 0.2
/* Of the pull-up's volts; of the system's: what hangs on the battery sags and ripples with it. */
#define PULLED_SHARE  0.3
#define COMMAND_SHARE 0.55

/*
 * A coil's lead hums: nothing below so many times the smallest step from sample to sample, averaged
 * over so many samples, is a tooth. Of white noise the swing of seconds is seven to eight such
 * steps.
 */
#define NOISE_STEPS   16.0
#define NOISE_COUNTS  8.0 /* nor below so many counts */
#define NOISE_SAMPLES 128

/*
 * An extreme is remembered once or twice so long. An inductive signal shrinks as the engine slows;
 * but the swing beside the gap, once a turn, must not be forgotten from turn to turn.
 */
#define HALL_MEMORY_S      1.5
#define INDUCTIVE_MEMORY_S 0.75

enum state { STATE_UNKNOWN, STATE_LOW, STATE_HIGH };

struct edges {
    bool falls; /* the scale falls: high counts are low values */
    enum sensor_kind kind;
    double usual_least, usual_least_volts; /* in counts and in volts, without noise */
    double least_swing;
    double step_sum; /* of the newest samples, up to NOISE_SAMPLES, */
    size_t step_count;
    double least_step; /*   and the smallest average so far; HUGE_VAL: none yet */
    double hum;        /* counts from peak to peak that such a lead shows by itself */
    double band;
    double memory_s;
    bool begun; /* `last` and the envelope hold something */
    bool state_begun_seen;
    int32_t last; /* newest sample */
    /* Extremes of this stretch of the memory and of the one before; the envelope is of both. */
    int32_t stretch_low[2], stretch_high[2];
    double stretch_s;
    double low, high; /* envelope, counts */
    enum state state;
    double extreme;   /* highest count of the state while high, lowest while low */
    double before;    /* that of the state before; NAN: none was seen */
    double crossed_s; /* newest crossing of the middle in this state; NAN: none */
};

int edges_new(const struct scale *scale, enum sensor_kind kind, struct edges **edges) {
    struct edges *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    double slope = (scale->values[scale->points - 1] - scale->values[0]) /
                   (scale->counts[scale->points - 1] - scale->counts[0]);
    double least = kind == SENSOR_INDUCTIVE ? INDUCTIVE_LEAST_SWING : HALL_LEAST_SWING;
    made->falls = slope < 0.0;
    made->kind = kind;
    made->usual_least = slope == 0.0 ? HUGE_VAL : least / fabs(slope);
    made->usual_least_volts = least;
    made->least_swing =
        kind == SENSOR_INDUCTIVE ? fmax(made->usual_least, NOISE_COUNTS) : made->usual_least;
    made->least_step = HUGE_VAL;
    made->band = kind == SENSOR_INDUCTIVE ? INDUCTIVE_BAND : HALL_BAND;
    made->memory_s = kind == SENSOR_INDUCTIVE ? INDUCTIVE_MEMORY_S : HALL_MEMORY_S;
    edges_break(made);
    *edges = made;
    return 0;
}

/* Does its high level move with the battery? */
static bool is_pulled_to_battery(const struct vehicle *vehicle, const struct vehicle_sensor *of) {
    bool feed_is = of->feed != CHANNEL_NONE && vehicle->channels[of->feed].nominal_is_battery;
    return of->pull_up_is_battery || (of->pull_up_is_feed && feed_is);
}

int edges_new_of_channel(const struct vehicle *vehicle, size_t channel, struct edges **edges) {
    size_t index = vehicle_sensor_of_channel(vehicle, channel);
    const struct vehicle_sensor *of = index == CHANNEL_NONE ? NULL : &vehicle->sensors[index];
    enum sensor_kind kind = of == NULL ? SENSOR_HALL : of->kind;
    int result = edges_new(&vehicle->channels[channel].scale, kind, edges);
    if (result != 0)
        return result;
    if (vehicle->channels[channel].role == ROLE_COMMAND)
        edges_set_least_swing(*edges, COMMAND_SHARE * vehicle->system_volts);
    else if (of != NULL && kind == SENSOR_HALL && is_pulled_to_battery(vehicle, of))
        edges_set_least_swing(*edges, PULLED_SHARE * vehicle->system_volts);
    else if (of != NULL && kind == SENSOR_HALL && PULLED_SHARE * of->pull_up > HALL_LEAST_SWING)
        edges_set_least_swing(*edges, PULLED_SHARE * of->pull_up);
    return 0;
}

void edges_set_least_swing(struct edges *edges, double volts) {
    edges->usual_least *= volts / edges->usual_least_volts;
    edges->usual_least_volts = volts;
    edges->least_swing = edges->usual_least;
}

void edges_free(struct edges *edges) {
    free(edges);
}

void edges_break(struct edges *edges) {
    edges->begun = false;
    edges->state = STATE_UNKNOWN;
    edges->crossed_s = (double)NAN;
    edges->before = (double)NAN;
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

static void begin_stretch(struct edges *edges, int32_t lowest, int32_t highest) {
    edges->stretch_low[1] = edges->stretch_low[0];
    edges->stretch_high[1] = edges->stretch_high[0];
    edges->stretch_low[0] = lowest;
    edges->stretch_high[0] = highest;
    edges->stretch_s = 0.0;
}

/*
 * Takes the chunk's extremes into the envelope. When that opens wide enough for edges, the side
 * that opens tells the state before: a signal that rises was low.
 */
static void follow(struct edges *edges, int32_t lowest, int32_t highest, double chunk_s) {
    double up = highest - edges->high;
    double down = edges->low - lowest;
    bool was_open = edges->high - edges->low >= edges->least_swing;
    edges->stretch_s += chunk_s;
    if (edges->stretch_s > edges->memory_s)
        begin_stretch(edges, lowest, highest);
    if (lowest < edges->stretch_low[0])
        edges->stretch_low[0] = lowest;
    if (highest > edges->stretch_high[0])
        edges->stretch_high[0] = highest;
    edges->low = fmin(edges->stretch_low[0], edges->stretch_low[1]);
    edges->high = fmax(edges->stretch_high[0], edges->stretch_high[1]);
    bool is_open = edges->high - edges->low >= edges->least_swing;
    if (is_open && !was_open) {
        edges->state = up > down ? STATE_LOW : STATE_HIGH;
        edges->extreme = up > down ? edges->low : edges->high;
    }
}

struct thresholds {
    double low, middle, high;
};

static enum state level_of(const struct thresholds *thresholds, int32_t value,
                           enum state otherwise) {
    if (value < thresholds->low)
        return STATE_LOW;
    if (value > thresholds->high)
        return STATE_HIGH;
    return otherwise;
}

static void enter(struct edges *edges, enum state state, double extreme) {
    edges->before = edges->state == STATE_UNKNOWN ? (double)NAN : edges->extreme;
    edges->state = state;
    edges->extreme = extreme;
    edges->crossed_s = (double)NAN;
}

static void go_on(struct edges *edges, double value) {
    if (edges->state == STATE_HIGH ? value > edges->extreme : value < edges->extreme)
        edges->extreme = value;
}

/*
 * The state at a value. It changes only where the signal itself has moved across the band: that
 * the envelope opens under a signal on its way up is no edge.
 */
static enum state state_at(const struct edges *edges, const struct thresholds *thresholds,
                           int32_t value) {
    enum state level = level_of(thresholds, value, edges->state);
    bool moved = fabs(value - edges->extreme) >= thresholds->high - thresholds->low;
    return level == edges->state || moved ? level : edges->state;
}

/* Looks at every sample of a chunk that may hold an edge. */
static void walk(struct edges *edges, const struct thresholds *thresholds, const int32_t *counts,
                 size_t count, double time_s, double period_s,
                 void (*report)(void *context, const struct edge *edge), void *context) {
    int32_t before = edges->last;
    if (edges->state == STATE_UNKNOWN)
        enter(edges, level_of(thresholds, before, STATE_UNKNOWN), before);
    for (size_t i = 0; i < count; i++) {
        int32_t value = counts[i];
        if ((before < thresholds->middle) != (value < thresholds->middle)) {
            double part = (thresholds->middle - before) / ((double)value - before);
            edges->crossed_s = time_s + period_s * ((double)i - 1.0 + part);
        }
        enum state state = edges->state == STATE_UNKNOWN
                               ? level_of(thresholds, value, STATE_UNKNOWN)
                               : state_at(edges, thresholds, value);
        if (state != edges->state && edges->state != STATE_UNKNOWN) {
            struct edge edge = {
                .at_s = isnan(edges->crossed_s) ? time_s + period_s * ((double)i - 0.5)
                                                : edges->crossed_s,
                .rises = (state == STATE_HIGH) != edges->falls,
                .first_state = !edges->state_begun_seen,
                .swing = isnan(edges->before) ? 0.0 : fabs(edges->extreme - edges->before),
            };
            edges->state_begun_seen = true;
            report(context, &edge);
        }
        if (state != edges->state)
            enter(edges, state, value);
        go_on(edges, value);
        before = value;
    }
}

static bool stays(const struct edges *edges, const struct thresholds *thresholds, int32_t lowest,
                  int32_t highest) {
    return (edges->state == STATE_HIGH && lowest >= thresholds->middle) ||
           (edges->state == STATE_LOW && highest < thresholds->middle);
}

/* What an inductive sensor's lead picks up where no tooth passes. */
static void follow_noise(struct edges *edges, const int32_t *counts, size_t length) {
    for (size_t i = 1; i < length; i++)
        edges->step_sum += fabs((double)counts[i] - counts[i - 1]);
    edges->step_count += length - 1;
    bool whole = edges->step_count >= NOISE_SAMPLES;
    if (edges->step_count == 0 || (!whole && !isinf(edges->least_step)))
        return;
    double step = edges->step_sum / (double)edges->step_count;
    if (whole) {
        edges->least_step = fmin(edges->least_step, step);
        edges->step_sum = 0.0;
        edges->step_count = 0;
    }
    /* till then a guess: a record may begin with nothing but noise */
    double least = fmax(NOISE_COUNTS, NOISE_STEPS * (whole ? edges->least_step : step));
    edges->hum = least / 2.0;
    edges->least_swing = fmax(edges->usual_least, least);
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
            begin_stretch(edges, counts[i], counts[i]);
            begin_stretch(edges, counts[i], counts[i]);
            edges->low = edges->high = counts[i];
        }
        if (edges->kind == SENSOR_INDUCTIVE)
            follow_noise(edges, counts + i, length);
        follow(edges, lowest, highest, (double)length * period_s);
        double swing = edges->high - edges->low;
        if (swing >= edges->least_swing) {
            double middle = edges->low + 0.5 * swing;
            double band = fmax(edges->band * swing, edges->hum); /* where nothing turns, it hums */
            struct thresholds thresholds = {middle - 0.5 * band, middle, middle + 0.5 * band};
            if (stays(edges, &thresholds, lowest, highest))
                go_on(edges, edges->state == STATE_HIGH ? highest : lowest);
            else
                walk(edges, &thresholds, counts + i, length, time_s + period_s * (double)i,
                     period_s, report, context);
        }
        edges->last = counts[i + length - 1];
        i += length;
    }
}
