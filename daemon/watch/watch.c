// SPDX-License-Identifier: Apache-2.0
/*
 * watch.c - takes the live runs of all streams, keeps the phase, the attempts, the readings, and
 * runs every trigger over them.
 *
 * One lock, held a run. Messages gather while it is held and go out when it is free again, so a
 * sink may call back, or take locks of its own, in any order.
 */
#include "watch.h"

#include "watch_feed.h"
#include "watch_gather.h"
#include "watch_level.h"
#include "watch_scene.h"
#include "watch_silent.h"
#include "watch_trigger.h"

#include <errno.h>
#include <math.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* A starter that stays engaged lengthens its snapshot so long before that would end. */
#define LENGTHEN_AHEAD_S 2.0
/* A reading is fresh when samples came within this, by the computer's clock. */
#define FRESH_NS 1000000000

struct board_part {
    bool fitted;
    int64_t pushed_ns; /* the computer's clock at the newest run; 0: none yet */
};

/* The triggers of a channel; NULL: none of that kind, or its board is not fitted. */
struct channel_part {
    struct watch_feed *feed;
    struct watch_trigger *button;
    struct watch_silent *silent;
};

/* A section's; NULL: of another kind, or its channel's board is not fitted. */
struct section_part {
    struct watch_trigger *trigger;
    struct watch_silent *silent;
};

struct watch {
    pthread_mutex_t lock;
    struct watch_sinks sinks;
    struct watch_scene scene;
    struct phases *phases;
    struct board_part *boards;
    struct watch_level *levels;    /* one per channel */
    struct channel_part *channels; /* one per channel */
    struct section_part *sections; /* one per trigger section of the hookup */
    struct watch_gather gather;
    unsigned attempts;
    double lengthen_s; /* when to say that the starter is still engaged */
};

static int64_t computer_ns(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

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

/* Frees the lock, then delivers what gathered under it. */
static void release(struct watch *watch) {
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

/* ---- the starter ---- */

static void mark_cranking(struct watch *watch, const char *trigger, bool begins, double at_s,
                          double before_s, double after_s, const char *text) {
    struct watch_mark mark = {.trigger = trigger,
                              .channel = CHANNEL_NONE,
                              .phase = watch->scene.phase,
                              .elapsed_ns = watch_nanoseconds(at_s),
                              .value = (double)NAN,
                              .begins = begins,
                              .before_s = before_s,
                              .after_s = after_s,
                              .text = text};
    watch_scene_mark(&watch->scene, &mark, NULL);
}

/* The file's own sections on a cranking that begins or ends. */
static void run_cranking_sections(struct watch *watch, enum trigger_kind kind, double at_s,
                                  const char *text) {
    const struct hookup *hookup = watch->scene.hookup;
    for (size_t i = 0; i < hookup->trigger_count; i++) {
        const struct hookup_trigger *section = &hookup->triggers[i];
        if (section->kind == kind)
            mark_cranking(watch, section->name, kind == TRIGGER_CRANKING_BEGINS, at_s,
                          section->before_s, section->after_s, text);
    }
}

static double lengthen_step(double after_s) {
    return after_s > 2.0 * LENGTHEN_AHEAD_S ? after_s - LENGTHEN_AHEAD_S : after_s * 0.5 + 0.1;
}

static void cranking_began(struct watch *watch, double at_s) {
    const struct hookup_storage *storage = &watch->scene.hookup->storage;
    char text[96];
    watch->attempts++;
    snprintf(text, sizeof text, "The starter engaged: attempt %u since the start.",
             watch->attempts);
    watch_scene_cranking(&watch->scene, true, at_s);
    mark_cranking(watch, "cranking", true, at_s, storage->before_s, storage->after_s, text);
    run_cranking_sections(watch, TRIGGER_CRANKING_BEGINS, at_s, text);
    watch->lengthen_s = at_s + lengthen_step(storage->after_s);
}

static void cranking_ended(struct watch *watch, double at_s) {
    const struct hookup_storage *storage = &watch->scene.hookup->storage;
    double lasted_s = at_s - watch->scene.engaged_s;
    char text[96];
    snprintf(text, sizeof text, "The starter let go after %.1f s.", lasted_s);
    watch_scene_cranking(&watch->scene, false, at_s);
    mark_cranking(watch, "cranking", false, at_s, lasted_s + storage->before_s, storage->after_s,
                  text);
    run_cranking_sections(watch, TRIGGER_CRANKING_ENDS, at_s, text);
}

/* A starter that stays engaged beyond the after-part of its snapshot. */
static void lengthen_cranking(struct watch *watch) {
    struct watch_scene *scene = &watch->scene;
    const struct hookup_storage *storage = &scene->hookup->storage;
    if (scene->phase != PHASE_CRANKING || scene->now_s < watch->lengthen_s)
        return;
    double lasted_s = scene->now_s - scene->engaged_s;
    char text[96];
    snprintf(text, sizeof text, "The starter is still engaged after %.0f s.", lasted_s);
    mark_cranking(watch, "cranking", true, scene->now_s, lasted_s + storage->before_s,
                  storage->after_s, text);
    watch->lengthen_s = scene->now_s + lengthen_step(storage->after_s);
}

static void change_phase(struct watch *watch, const struct phase_change *change) {
    enum phase was = watch->scene.phase;
    if (change->phase == was)
        return;
    watch_scene_change(&watch->scene, change);
    if (change->phase == PHASE_CRANKING)
        cranking_began(watch, change->at_s);
    else if (was == PHASE_CRANKING)
        cranking_ended(watch, change->at_s);
}

/* ---- a board's description has come ---- */

static int fit_channel(struct watch *watch, size_t channel) {
    const struct watch_scene *scene = &watch->scene;
    const struct vehicle_channel *lead = &scene->vehicle->channels[channel];
    bool on_off = lead->role == ROLE_SIGNAL || lead->role == ROLE_COMMAND;
    watch_level_init(&watch->levels[channel], &lead->scale, on_off);
    watch_feed_free(watch->channels[channel].feed);
    watch_trigger_free(watch->channels[channel].button);
    watch_silent_free(watch->channels[channel].silent);
    watch->channels[channel] = (struct channel_part){0};
    int result = 0;
    if (lead->role == ROLE_FEED) {
        result = watch_feed_new(scene, channel, &watch->channels[channel].feed);
        if (result == -ENOENT) /* a feed without a nominal: nothing to judge it by */
            result = 0;
    } else if (lead->role == ROLE_SWITCH) {
        result = watch_trigger_new_switch(scene, channel, &watch->channels[channel].button);
    } else if (lead->role == ROLE_SIGNAL) {
        result = watch_silent_new_signal(scene, channel, &watch->channels[channel].silent);
    }
    return result;
}

static int fit_section(struct watch *watch, size_t index, size_t board) {
    const struct watch_scene *scene = &watch->scene;
    const struct hookup_trigger *section = &scene->hookup->triggers[index];
    struct section_part *part = &watch->sections[index];
    bool is_cranking =
        section->kind == TRIGGER_CRANKING_BEGINS || section->kind == TRIGGER_CRANKING_ENDS;
    if (is_cranking || scene->vehicle->channels[section->channel].stream != board)
        return 0;
    watch_trigger_free(part->trigger);
    watch_silent_free(part->silent);
    *part = (struct section_part){0};
    return section->kind == TRIGGER_SILENT ? watch_silent_new(scene, index, &part->silent)
                                           : watch_trigger_new(scene, index, &part->trigger);
}

/* Scales have come or changed: the phases are found anew from here on. */
static int fit_phases(struct watch *watch) {
    struct phases *made = NULL;
    int result = phases_new(watch->scene.vehicle, &watch->scene.hookup->limits, &made);
    if (result)
        return result;
    phases_free(watch->phases);
    watch->phases = made;
    if (watch->scene.phase != PHASE_UNKNOWN) {
        struct phase_change change = {.phase = PHASE_UNKNOWN, .at_s = watch->scene.now_s};
        change_phase(watch, &change);
    }
    return 0;
}

/* A board that came back with the description it had: nothing is to be made anew. */
static bool is_fitted_alike(const struct watch *watch, size_t board) {
    const struct vehicle *vehicle = watch->scene.vehicle;
    if (!watch->boards[board].fitted)
        return false;
    for (size_t i = 0; i < vehicle->channel_count; i++) {
        const struct scale *now = &vehicle->channels[i].scale;
        const struct scale *then = &watch->levels[i].scale;
        if (vehicle->channels[i].stream != board)
            continue;
        if (now->points != then->points ||
            memcmp(now->counts, then->counts, now->points * sizeof now->counts[0]) != 0 ||
            memcmp(now->values, then->values, now->points * sizeof now->values[0]) != 0)
            return false;
    }
    return true;
}

static int fit(struct watch *watch, size_t board) {
    const struct vehicle *vehicle = watch->scene.vehicle;
    watch->boards[board].fitted = false;
    int result = fit_phases(watch);
    for (size_t i = 0; !result && i < vehicle->channel_count; i++) {
        if (vehicle->channels[i].stream == board)
            result = fit_channel(watch, i);
    }
    for (size_t i = 0; !result && i < watch->scene.hookup->trigger_count; i++)
        result = fit_section(watch, i, board);
    watch->boards[board].fitted = result == 0;
    return result;
}

int watch_fitted(struct watch *watch, size_t board) {
    if (board >= watch->scene.hookup->board_count)
        return -EINVAL;
    pthread_mutex_lock(&watch->lock);
    int result = is_fitted_alike(watch, board) ? 0 : fit(watch, board);
    release(watch);
    return result;
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
        const struct section_part *part = &watch->sections[i];
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
    lengthen_cranking(watch);
}

static void take_phases(struct watch *watch, const struct record_run *run) {
    struct phase_change change;
    phases_push(watch->phases, run);
    while (phases_take(watch->phases, &change)) {
        change_phase(watch, &change);
        settle(watch);
    }
}

void watch_run(struct watch *watch, const struct record_run *run) {
    pthread_mutex_lock(&watch->lock);
    if (run->stream >= watch->scene.hookup->board_count || !watch->boards[run->stream].fitted) {
        release(watch);
        return;
    }
    watch->boards[run->stream].pushed_ns = computer_ns();
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
    release(watch);
}

void watch_loss(struct watch *watch, size_t board) {
    pthread_mutex_lock(&watch->lock);
    break_board(watch, board);
    release(watch);
}

/* ---- any thread ---- */

enum phase watch_phase(struct watch *watch) {
    pthread_mutex_lock(&watch->lock);
    enum phase phase = watch->scene.phase;
    pthread_mutex_unlock(&watch->lock);
    return phase;
}

bool watch_cranking(struct watch *watch) {
    return watch_phase(watch) == PHASE_CRANKING;
}

unsigned watch_attempts(struct watch *watch) {
    pthread_mutex_lock(&watch->lock);
    unsigned attempts = watch->attempts;
    pthread_mutex_unlock(&watch->lock);
    return attempts;
}

void watch_reading(struct watch *watch, size_t channel, struct watch_reading *reading) {
    pthread_mutex_lock(&watch->lock);
    const struct vehicle_channel *lead = &watch->scene.vehicle->channels[channel];
    int64_t pushed_ns = watch->boards[lead->stream].pushed_ns;
    watch_level_read(&watch->levels[channel], reading);
    reading->fresh = pushed_ns != 0 && computer_ns() - pushed_ns < FRESH_NS;
    pthread_mutex_unlock(&watch->lock);
}

void watch_latch(struct watch *watch) {
    pthread_mutex_lock(&watch->lock);
    for (size_t i = 0; i < watch->scene.vehicle->channel_count; i++)
        watch_level_latch(&watch->levels[i]);
    pthread_mutex_unlock(&watch->lock);
}

/* What the trigger of a budget is called, and where it looks. */
static void name_storm(const struct watch *watch, size_t budget, struct watch_storm *storm) {
    const struct hookup *hookup = watch->scene.hookup;
    size_t channels = hookup->vehicle.channel_count;
    if (budget >= channels) {
        storm->trigger = hookup->triggers[budget - channels].name;
        storm->channel = hookup->triggers[budget - channels].channel;
        return;
    }
    enum role role = hookup->vehicle.channels[budget].role;
    storm->trigger = role == ROLE_FEED ? "feed" : role == ROLE_SWITCH ? "switch" : "silent";
    storm->channel = budget;
}

bool watch_storm(struct watch *watch, size_t n, struct watch_storm *storm) {
    const struct hookup *hookup = watch->scene.hookup;
    size_t budgets = hookup->vehicle.channel_count + hookup->trigger_count;
    bool found = false;
    pthread_mutex_lock(&watch->lock);
    for (size_t i = 0; i < budgets && !found; i++) {
        const struct watch_budget *budget = &watch->scene.budgets[i];
        if (budget->suppressed == 0 || n-- > 0)
            continue;
        found = true;
        name_storm(watch, i, storm);
        storm->suppressed = budget->suppressed;
        storm->latest_ns = budget->latest_ns;
    }
    pthread_mutex_unlock(&watch->lock);
    return found;
}

int watch_capture_begin(struct watch *watch, size_t board, double seconds) {
    pthread_mutex_lock(&watch->lock);
    int result = 0;
    if (watch->gather.active)
        result = -EBUSY;
    else if (board >= watch->scene.hookup->board_count || !watch->boards[board].fitted)
        result = -ENODEV;
    else
        watch_gather_begin(&watch->gather, board, seconds);
    pthread_mutex_unlock(&watch->lock);
    return result;
}

bool watch_capture_done(struct watch *watch) {
    pthread_mutex_lock(&watch->lock);
    bool done = watch_gather_done(&watch->gather);
    pthread_mutex_unlock(&watch->lock);
    return done;
}

int watch_capture_end(struct watch *watch, struct watch_capture *capture) {
    pthread_mutex_lock(&watch->lock);
    int result = watch_gather_end(&watch->gather, capture);
    pthread_mutex_unlock(&watch->lock);
    return result;
}
