// SPDX-License-Identifier: Apache-2.0
/*
 * watch_silent.c - edges against a level that floats, and how long there was none.
 */
#include "watch_silent.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* The default trigger: a turn of the shaft at 60 rpm of the crank, and a quarter more to come to
 * speed. Common practice, no source. */
#define CRANK_SILENT_S 1.25
#define CAM_SILENT_S   2.5
/* What makes an edge where nothing is said: a share of the pull-up, else volts. */
#define SWING_SHARE 0.25
#define SWING_VOLTS 0.5
/* The end of a cranking is known up to 1 s after it: a silence is judged so long after it was
 * long enough, or the starter that lets go would make one. */
#define JUDGE_AFTER_S 1.5
/* A board slower than this may miss every pulse of a narrow tooth for that long: its silence
 * proves nothing to the default trigger. Common practice, no source. */
#define SLOWEST_PERIOD_S 0.01

enum silent_state {
    SILENT_NOT,
    SILENT_UNJUDGED, /* it was long enough; the phase is not known for sure */
    SILENT_MARKED
};

struct watch_silent {
    const char *name;
    size_t channel;
    const char *lead;
    size_t budget;
    unsigned when;
    double before_s, after_s;
    double for_s; /* INFINITY: only its edges are of interest */
    bool by_default;
    double swing; /* counts */

    bool seen;         /* a sample has come since the start or a loss */
    int32_t low, high; /* since the last edge */
    double since_s;    /* the first sample since then */
    double until_s;    /* samples have come up to here */
    double period_s;   /* of the newest samples */
    double edge_s;     /* the newest edge; -INFINITY: none */

    enum silent_state state;
    double from_s;
    double to_s; /* the first edge after it; NAN: none yet */
    bool by_starter;
    double not_s; /* a silence from here was judged, and is none */
};

static double swing_volts(const struct vehicle *vehicle, size_t channel) {
    size_t index = vehicle_sensor_of_channel(vehicle, channel);
    if (index == CHANNEL_NONE || vehicle->sensors[index].kind != SENSOR_HALL)
        return SWING_VOLTS;
    const struct vehicle_sensor *sensor = &vehicle->sensors[index];
    double pull_up = sensor->pull_up;
    if (sensor->pull_up_is_battery)
        pull_up = vehicle->system_volts;
    else if (sensor->pull_up_is_feed && sensor->feed != CHANNEL_NONE)
        pull_up = vehicle->channels[sensor->feed].nominal;
    return isfinite(pull_up) ? pull_up * SWING_SHARE : SWING_VOLTS;
}

static int make(const struct watch_scene *scene, const struct watch_silent *draft, double swing,
                struct watch_silent **silent) {
    const struct vehicle_channel *lead = &scene->vehicle->channels[draft->channel];
    struct watch_silent *made = malloc(sizeof *made);
    if (!made)
        return -ENOMEM;
    *made = *draft;
    made->lead = lead->name;
    made->swing = fabs(scale_counts(&lead->scale, swing) - scale_counts(&lead->scale, 0.0));
    made->edge_s = -(double)INFINITY;
    made->not_s = -(double)INFINITY;
    *silent = made;
    return 0;
}

int watch_silent_new(const struct watch_scene *scene, size_t section,
                     struct watch_silent **silent) {
    const struct hookup_trigger *given = &scene->hookup->triggers[section];
    struct watch_silent draft = {.name = given->name,
                                 .channel = given->channel,
                                 .budget = watch_scene_budget_of_section(scene, section),
                                 .when = given->when,
                                 .before_s = given->before_s,
                                 .after_s = given->after_s,
                                 .for_s = given->for_s};
    double swing =
        given->hysteresis > 0.0 ? given->hysteresis : swing_volts(scene->vehicle, given->channel);
    return make(scene, &draft, swing, silent);
}

int watch_silent_new_signal(const struct watch_scene *scene, size_t channel,
                            struct watch_silent **silent) {
    const struct vehicle *vehicle = scene->vehicle;
    struct watch_silent draft = {.name = "silent",
                                 .channel = channel,
                                 .budget = channel,
                                 .by_default = true,
                                 .before_s = scene->hookup->storage.before_s,
                                 .after_s = scene->hookup->storage.after_s,
                                 .for_s = (double)INFINITY};
    for (size_t i = 0; i < vehicle->sensor_count; i++)
        if (vehicle->sensors[i].signal == channel)
            draft.for_s = vehicle->sensors[i].shaft == SHAFT_CRANK ? CRANK_SILENT_S : CAM_SILENT_S;
    return make(scene, &draft, swing_volts(vehicle, channel), silent);
}

void watch_silent_free(struct watch_silent *silent) {
    free(silent);
}

/* ---- edges ---- */

void watch_silent_push(struct watch_silent *silent, struct watch_scene *scene,
                       const int32_t *counts, size_t count, double time_s, double period_s) {
    struct watch_edges *edges = &scene->edges[silent->channel];
    if (!silent->seen && count > 0) {
        silent->seen = true;
        silent->low = silent->high = counts[0];
        silent->since_s = time_s;
    }
    double low = silent->low;
    double high = silent->high;
    for (size_t i = 0; i < count; i++) {
        double value = counts[i];
        low = value < low ? value : low;
        high = value > high ? value : high;
        if (high - low < silent->swing)
            continue;
        low = high = value;
        silent->edge_s = time_s + period_s * (double)i;
        if (isnan(silent->to_s))
            silent->to_s = silent->edge_s;
        if (silent->edge_s > edges->at_s[edges->newest])
            watch_scene_edge(edges, silent->edge_s);
    }
    silent->low = (int32_t)low;
    silent->high = (int32_t)high;
    silent->until_s = time_s + period_s * (double)count;
    silent->period_s = period_s;
}

void watch_silent_break(struct watch_silent *silent) {
    silent->seen = false;
}

/* ---- what it means ---- */

/* Another signal has edges, several within the time in question, and up to its end. */
static const char *lead_that_turns(const struct watch_silent *silent,
                                   const struct watch_scene *scene, double from_s) {
    for (size_t i = 0; i < scene->vehicle->channel_count; i++) {
        const struct watch_edges *edges = &scene->edges[i];
        double newest_s = edges->at_s[edges->newest];
        double oldest_s = edges->at_s[(edges->newest + 1) % WATCH_EDGES];
        if (i != silent->channel && scene->vehicle->channels[i].role == ROLE_SIGNAL &&
            newest_s >= from_s + silent->for_s && newest_s - oldest_s < silent->for_s)
            return scene->vehicle->channels[i].name;
    }
    return NULL;
}

static bool phase_fits(const struct watch_silent *silent, enum phase phase) {
    return silent->when == 0 || (silent->when & (1u << phase));
}

static bool is_too_slow(const struct watch_silent *silent) {
    return silent->by_default && silent->period_s > SLOWEST_PERIOD_S * (1.0 + 1e-6);
}

static void mark(const struct watch_silent *silent, struct watch_scene *scene, bool begins,
                 double at_s, const char *text) {
    double lasted_s = at_s - silent->from_s;
    struct watch_mark note = {.trigger = silent->name,
                              .channel = silent->channel,
                              .phase =
                                  watch_scene_phase_at(scene, begins ? at_s + silent->for_s : at_s),
                              .elapsed_ns = watch_nanoseconds(at_s),
                              .value = (double)NAN,
                              .begins = begins,
                              .text = text};
    if (begins)
        note.before_s = silent->before_s;
    if (begins || lasted_s <= silent->after_s)
        note.after_s = silent->after_s;
    watch_scene_mark(scene, &note, &scene->budgets[silent->budget]);
}

static void mark_begin(struct watch_silent *silent, struct watch_scene *scene, const char *other) {
    char text[256];
    if (silent->by_starter)
        snprintf(text, sizeof text, "%s had no edge for %.6g s while the starter was engaged.",
                 silent->lead, silent->for_s);
    else
        snprintf(text, sizeof text, "%s had no edge for %.6g s while %s shows the engine turning.",
                 silent->lead, silent->for_s, other ? other : "another signal");
    silent->state = SILENT_MARKED;
    mark(silent, scene, true, silent->from_s, text);
}

/* Since when other signals show the engine turning; where none does, INFINITY. */
static double others_turn_since(const struct watch_silent *silent,
                                const struct watch_scene *scene) {
    double since_s = (double)INFINITY;
    for (size_t i = 0; i < scene->vehicle->channel_count; i++) {
        const struct watch_edges *edges = &scene->edges[i];
        if (i != silent->channel && scene->vehicle->channels[i].role == ROLE_SIGNAL &&
            scene->now_s - edges->at_s[edges->newest] <= WATCH_PAUSE_S)
            since_s = fmin(since_s, edges->since_s);
    }
    return since_s;
}

/* Since when it is silent, the engine turns as far as known, and the phase fits. */
static double silent_since(const struct watch_silent *silent, const struct watch_scene *scene,
                           bool by_starter) {
    double from_s = fmax(silent->edge_s, silent->since_s);
    from_s = fmax(from_s, by_starter ? scene->engaged_s : others_turn_since(silent, scene));
    if (silent->when)
        from_s = fmax(from_s, watch_scene_phase_since(scene));
    return from_s;
}

static void look(struct watch_silent *silent, struct watch_scene *scene) {
    if (!silent->seen || is_too_slow(silent) || !phase_fits(silent, scene->phase))
        return;
    bool by_starter = scene->phase == PHASE_CRANKING;
    double from_s = silent_since(silent, scene, by_starter);
    if (silent->until_s - from_s < silent->for_s || from_s <= silent->not_s)
        return;
    if (!by_starter && !lead_that_turns(silent, scene, from_s))
        return;
    silent->state = SILENT_UNJUDGED;
    silent->by_starter = by_starter;
    silent->from_s = from_s;
    silent->to_s = (double)NAN;
}

static void judge(struct watch_silent *silent, struct watch_scene *scene) {
    double until_s = silent->from_s + silent->for_s;
    enum phase phase = watch_scene_phase_at(scene, until_s);
    const char *other = lead_that_turns(silent, scene, silent->from_s);
    bool turned = other || (silent->by_starter && phase == PHASE_CRANKING);
    silent->by_starter = silent->by_starter && phase == PHASE_CRANKING;
    if (turned && phase_fits(silent, phase)) {
        mark_begin(silent, scene, other);
        return;
    }
    silent->state = SILENT_NOT;
    silent->not_s = silent->from_s;
}

static bool still_turns(const struct watch_silent *silent, const struct watch_scene *scene) {
    return scene->phase == PHASE_CRANKING ||
           lead_that_turns(silent, scene, scene->now_s - 2.0 * silent->for_s);
}

/* It has edges again, or the engine turns no more. */
static void see_end(struct watch_silent *silent, struct watch_scene *scene) {
    char text[256];
    double at_s = silent->to_s;
    if (isnan(at_s) && still_turns(silent, scene))
        return;
    if (isnan(at_s)) {
        at_s = silent->by_starter ? watch_scene_phase_since(scene) : scene->now_s;
        snprintf(text, sizeof text, "%s had no edge until the engine was turned no more, %.3f s.",
                 silent->lead, at_s - silent->from_s);
        silent->not_s = silent->from_s;
    } else {
        snprintf(text, sizeof text, "%s has edges again, %.3f s after it fell silent.",
                 silent->lead, at_s - silent->from_s);
    }
    mark(silent, scene, false, at_s, text);
    silent->state = SILENT_NOT;
}

void watch_silent_settle(struct watch_silent *silent, struct watch_scene *scene) {
    if (!isfinite(silent->for_s))
        return;
    if (silent->state == SILENT_NOT)
        look(silent, scene);
    if (silent->state == SILENT_UNJUDGED &&
        scene->now_s - silent->from_s - silent->for_s >= JUDGE_AFTER_S)
        judge(silent, scene);
    if (silent->state == SILENT_MARKED)
        see_end(silent, scene);
}
