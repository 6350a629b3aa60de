// SPDX-License-Identifier: Apache-2.0
/*
 * watch_answers.c - what any thread may ask of a watch.
 */
#include "monotonic.h"
#include "watch_state.h"

#include <errno.h>

/* A reading is fresh when samples came within this, by the computer's clock. */
#define FRESH_NS 1000000000

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
    reading->fresh = pushed_ns != 0 && monotonic_ns() - pushed_ns < FRESH_NS;
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
