// SPDX-License-Identifier: Apache-2.0
/*
 * watch_fit.c - a board's description has come: detectors and triggers of its leads by their
 * scales.
 */
#include "watch_cranking.h"
#include "watch_state.h"

#include <errno.h>
#include <string.h>

static int fit_channel(struct watch *watch, size_t channel) {
    const struct watch_scene *scene = &watch->scene;
    const struct vehicle_channel *lead = &scene->vehicle->channels[channel];
    bool on_off = lead->role == ROLE_SIGNAL || lead->role == ROLE_COMMAND;
    watch_level_init(&watch->levels[channel], &lead->scale, on_off);
    watch_feed_free(watch->channels[channel].feed);
    watch_trigger_free(watch->channels[channel].button);
    watch_silent_free(watch->channels[channel].silent);
    watch->channels[channel] = (struct watch_channel){0};
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
    struct watch_section *part = &watch->sections[index];
    bool is_cranking =
        section->kind == TRIGGER_CRANKING_BEGINS || section->kind == TRIGGER_CRANKING_ENDS;
    if (is_cranking || scene->vehicle->channels[section->channel].stream != board)
        return 0;
    watch_trigger_free(part->trigger);
    watch_silent_free(part->silent);
    *part = (struct watch_section){0};
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
        watch_cranking_phase(watch, &change);
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
    watch_release(watch);
    return result;
}
