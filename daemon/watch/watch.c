// SPDX-License-Identifier: Apache-2.0
/*
 * watch.c - takes the live runs of all streams, keeps the phase, the attempts, the readings, and
 * runs every trigger over them.
 *
 * One lock, held a run. Messages gather while it is held and go out when it is free again, so a
 * sink may call back, or take locks of its own, in any order.
 */
#include "watch.h"

#include "monotonic.h"
#include "watch_cranking.h"
#include "watch_state.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

/* ---- making ---- */

/* Every channel's own trigger has a budget, and every section. */
static void init_budgets(struct watch_scene *scene) {
    const struct hookup *hookup = scene->hookup;
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++) {
        watch_budget_init(&scene->budgets[i], hookup->storage.budget_s);
        for (size_t edge = 0; edge < WATCH_EDGES; edge++)
            scene->edges[i].at_s[edge] = -(double)INFINITY;
    }
    for (size_t i = 0; i < hookup->trigger_count; i++)
        watch_budget_init(&scene->budgets[watch_scene_budget_of_section(scene, i)],
                          hookup->triggers[i].budget_s);
}

int watch_new(const struct hookup *hookup, const struct watch_sinks *sinks, struct watch **watch) {
    size_t channels = hookup->vehicle.channel_count + 1; /* never an array of none */
    struct watch *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->sinks = *sinks;
    made->boards = calloc(hookup->board_count + 1, sizeof *made->boards);
    made->levels = calloc(channels, sizeof *made->levels);
    made->channels = calloc(channels, sizeof *made->channels);
    made->sections = calloc(hookup->trigger_count + 1, sizeof *made->sections);
    made->scene = (struct watch_scene){
        .hookup = hookup,
        .vehicle = &hookup->vehicle,
        .levels = made->levels,
        .edges = calloc(channels, sizeof *made->scene.edges),
        .budgets = calloc(channels + hookup->trigger_count, sizeof *made->scene.budgets),
        .has_ignition = vehicle_channel_by_role(&hookup->vehicle, ROLE_IGNITION) != CHANNEL_NONE,
        .now_s = -(double)INFINITY,
        .engaged_s = -(double)INFINITY,
        .key_off_s = -(double)INFINITY};
    made->scene.last = &made->scene.first;
    pthread_mutex_init(&made->lock, NULL);
    if (!made->boards || !made->levels || !made->channels || !made->sections ||
        !made->scene.edges || !made->scene.budgets) {
        watch_free(made);
        return -ENOMEM;
    }
    init_budgets(&made->scene);
    *watch = made;
    return 0;
}

void watch_continue(struct watch *watch, struct watch *before) {
    watch->attempts = watch_attempts(before);
}

static void forget_messages(struct watch_message *message) {
    while (message) {
        struct watch_message *next = message->next;
        free(message);
        message = next;
    }
}

void watch_free(struct watch *watch) {
    if (!watch)
        return;
    const struct hookup *hookup = watch->scene.hookup;
    for (size_t i = 0; watch->channels && i < hookup->vehicle.channel_count; i++) {
        watch_feed_free(watch->channels[i].feed);
        watch_trigger_free(watch->channels[i].button);
        watch_silent_free(watch->channels[i].silent);
    }
    for (size_t i = 0; watch->sections && i < hookup->trigger_count; i++) {
        watch_trigger_free(watch->sections[i].trigger);
        watch_silent_free(watch->sections[i].silent);
    }
    struct watch_capture rest;
    if (watch_gather_end(&watch->gather, &rest) == 0)
        free(rest.counts);
    forget_messages(watch->scene.first);
    phases_free(watch->phases);
    free(watch->scene.budgets);
    free(watch->scene.edges);
    free(watch->sections);
    free(watch->channels);
    free(watch->levels);
    free(watch->boards);
    pthread_mutex_destroy(&watch->lock);
    free(watch);
}

/* ---- messages ---- */

void watch_release(struct watch *watch) {
    struct watch_message *first = watch->scene.first;
    watch->scene.first = NULL;
    watch->scene.last = &watch->scene.first;
    pthread_mutex_unlock(&watch->lock);
    const struct watch_sinks *sinks = &watch->sinks;
    for (const struct watch_message *message = first; message; message = message->next) {
        if (message->is_mark)
            sinks->mark(sinks->context, &message->mark);
        else
            sinks->cranking(sinks->context, message->mark.begins, message->mark.elapsed_ns);
    }
    forget_messages(first);
}

/* ---- samples ---- */

/* When the moment of a scan's first sample was on that lead. */
static double lead_time(const struct vehicle_channel *lead, double time_s) {
    double skew = isnan(lead->skew_s) ? 0.0 : lead->skew_s;
    double delay = isnan(lead->delay_s) ? 0.0 : lead->delay_s;
    return time_s + skew - delay;
}

/* All that looks at a channel: its own triggers, and the sections'. */
static void break_channel(struct watch *watch, struct watch_trigger *trigger,
                          struct watch_silent *silent) {
    if (trigger)
        watch_trigger_break(trigger, &watch->scene);
    if (silent)
        watch_silent_break(silent);
}

static size_t section_channel(const struct watch *watch, size_t section) {
    return watch->scene.hookup->triggers[section].channel;
}

static void break_board(struct watch *watch, size_t board) {
    const struct vehicle *vehicle = watch->scene.vehicle;
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        if (vehicle->channels[i].stream != board)
            continue;
        if (watch->channels[i].feed)
            watch_feed_break(watch->channels[i].feed, &watch->scene);
        break_channel(watch, watch->channels[i].button, watch->channels[i].silent);
    }
    for (size_t i = 0; i < watch->scene.hookup->trigger_count; i++) {
        size_t channel = section_channel(watch, i);
        if (channel != CHANNEL_NONE && vehicle->channels[channel].stream == board)
            break_channel(watch, watch->sections[i].trigger, watch->sections[i].silent);
    }
}

static void push_levels(struct watch *watch, const struct record_run *run) {
    const struct vehicle *vehicle = watch->scene.vehicle;
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        const struct vehicle_channel *lead = &vehicle->channels[i];
        if (lead->stream == run->stream && lead->input < run->inputs)
            watch_level_push(&watch->levels[i], run->counts[lead->input], run->scans,
                             run->period_s);
    }
}

/* The run's samples of a channel, to whichever of the two looks at it. */
static void push_channel(struct watch *watch, size_t channel, struct watch_trigger *trigger,
                         struct watch_silent *silent, const struct record_run *run) {
    const struct vehicle_channel *lead = &watch->scene.vehicle->channels[channel];
    if (lead->stream != run->stream || lead->input >= run->inputs)
        return;
    const int32_t *counts = run->counts[lead->input];
    double time_s = lead_time(lead, run->time_s);
    if (trigger)
        watch_trigger_push(trigger, &watch->scene, counts, run->scans, time_s, run->period_s);
    if (silent)
        watch_silent_push(silent, &watch->scene, counts, run->scans, time_s, run->period_s);
}

static void push_feed(struct watch *watch, size_t channel, const struct record_run *run) {
    const struct vehicle_channel *lead = &watch->scene.vehicle->channels[channel];
    if (watch->channels[channel].feed && lead->stream == run->stream && lead->input < run->inputs)
        watch_feed_push(watch->channels[channel].feed, &watch->scene, run->counts[lead->input],
                        run->scans, lead_time(lead, run->time_s), run->period_s);
}

static void push_triggers(struct watch *watch, const struct record_run *run) {
    for (size_t i = 0; i < watch->scene.vehicle->channel_count; i++) {
        push_feed(watch, i, run);
        push_channel(watch, i, watch->channels[i].button, watch->channels[i].silent, run);
    }
    for (size_t i = 0; i < watch->scene.hookup->trigger_count; i++) {
        const struct watch_section *part = &watch->sections[i];
        if (part->trigger || part->silent)
            push_channel(watch, section_channel(watch, i), part->trigger, part->silent, run);
    }
}

static void settle_channel(struct watch *watch, struct watch_trigger *trigger,
                           struct watch_silent *silent) {
    if (trigger)
        watch_trigger_settle(trigger, &watch->scene);
    if (silent)
        watch_silent_settle(silent, &watch->scene);
}

static void settle(struct watch *watch) {
    const struct hookup *hookup = watch->scene.hookup;
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++) {
        if (watch->channels[i].feed)
            watch_feed_settle(watch->channels[i].feed, &watch->scene);
        settle_channel(watch, watch->channels[i].button, watch->channels[i].silent);
    }
    for (size_t i = 0; i < hookup->trigger_count; i++)
        settle_channel(watch, watch->sections[i].trigger, watch->sections[i].silent);
    watch_cranking_lengthen(watch);
}

static void take_phases(struct watch *watch, const struct record_run *run) {
    struct phase_change change;
    phases_push(watch->phases, run);
    while (phases_take(watch->phases, &change)) {
        watch_cranking_phase(watch, &change);
        settle(watch);
    }
}

void watch_run(struct watch *watch, const struct record_run *run) {
    pthread_mutex_lock(&watch->lock);
    if (run->stream >= watch->scene.hookup->board_count || !watch->boards[run->stream].fitted) {
        watch_release(watch);
        return;
    }
    watch->boards[run->stream].pushed_ns = monotonic_ns();
    if (run->after_loss)
        break_board(watch, run->stream);
    watch_gather_push(&watch->gather, run);
    push_levels(watch, run);
    push_triggers(watch, run);
    double end_s = run->time_s + run->period_s * (double)run->scans;
    if (end_s > watch->scene.now_s)
        watch->scene.now_s = end_s;
    take_phases(watch, run);
    settle(watch);
    watch_release(watch);
}

void watch_loss(struct watch *watch, size_t board) {
    pthread_mutex_lock(&watch->lock);
    break_board(watch, board);
    watch_release(watch);
}
