// SPDX-License-Identifier: Apache-2.0
/*
 * watch_cranking.c - marks of the starter, and the hookup's own sections on it.
 */
#include "watch_cranking.h"

#include <math.h>
#include <stdio.h>

/* A starter that stays engaged lengthens its snapshot so long before that would end. */
#define LENGTHEN_AHEAD_S 2.0

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

void watch_cranking_lengthen(struct watch *watch) {
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

void watch_cranking_phase(struct watch *watch, const struct phase_change *change) {
    enum phase was = watch->scene.phase;
    if (change->phase == was)
        return;
    watch_scene_change(&watch->scene, change);
    if (change->phase == PHASE_CRANKING)
        cranking_began(watch, change->at_s);
    else if (was == PHASE_CRANKING)
        cranking_ended(watch, change->at_s);
}
