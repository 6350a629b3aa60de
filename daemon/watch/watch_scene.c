// SPDX-License-Identifier: Apache-2.0
/*
 * watch_scene.c - the phase and its past; messages waiting for the lock to be free.
 */
#include "watch_scene.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

int64_t watch_nanoseconds(double elapsed_s) {
    return (int64_t)llround(elapsed_s * 1e9);
}

enum phase watch_scene_phase_at(const struct watch_scene *scene, double at_s) {
    size_t kept = scene->past_count < WATCH_PAST ? scene->past_count : WATCH_PAST;
    for (size_t back = 1; back <= kept; back++) {
        const struct phase_change *change = &scene->past[(scene->past_count - back) % WATCH_PAST];
        if (change->at_s <= at_s)
            return change->phase;
    }
    if (kept == 0)
        return scene->phase;
    if (scene->past_count > WATCH_PAST)
        return scene->past[scene->past_count % WATCH_PAST].phase;
    return PHASE_UNKNOWN;
}

double watch_scene_phase_since(const struct watch_scene *scene) {
    if (scene->past_count == 0)
        return -(double)INFINITY;
    return scene->past[(scene->past_count - 1) % WATCH_PAST].at_s;
}

void watch_scene_change(struct watch_scene *scene, const struct phase_change *change) {
    scene->past[scene->past_count++ % WATCH_PAST] = *change;
    scene->phase = change->phase;
    if (change->phase == PHASE_CRANKING)
        scene->engaged_s = change->at_s;
    if (change->phase == PHASE_KEY_OFF)
        scene->key_off_s = change->at_s;
}

const char *watch_phase_words(enum phase phase) {
    switch (phase) {
    case PHASE_KEY_OFF:
        return "with the key off";
    case PHASE_KEY_ON:
        return "with the key on";
    case PHASE_CRANKING:
        return "while cranking";
    case PHASE_RUNNING:
        return "with the engine running";
    case PHASE_UNKNOWN:
        break;
    }
    return "in a phase no lead tells";
}

/* Messages are rare; each is allocated, so that none needs a place kept for it. */
static struct watch_message *post(struct watch_scene *scene) {
    struct watch_message *message = calloc(1, sizeof *message);
    if (!message)
        return NULL;
    *scene->last = message;
    scene->last = &message->next;
    return message;
}

void watch_scene_edge(struct watch_edges *edges, double at_s) {
    if (at_s - edges->at_s[edges->newest] > WATCH_PAUSE_S)
        edges->since_s = at_s;
    edges->newest = (edges->newest + 1) % WATCH_EDGES;
    edges->at_s[edges->newest] = at_s;
}

size_t watch_scene_budget_of_section(const struct watch_scene *scene, size_t section) {
    return scene->vehicle->channel_count + section;
}

void watch_scene_mark(struct watch_scene *scene, const struct watch_mark *mark,
                      struct watch_budget *budget) {
    bool is_note = mark->before_s <= 0.0 && mark->after_s <= 0.0;
    enum watch_grant grant =
        budget && !is_note ? watch_budget_ask(budget, mark, scene->now_s) : WATCH_GRANTED;
    struct watch_message *message = post(scene);
    if (!message)
        return;
    message->is_mark = true;
    message->mark = *mark;
    message->mark.suppressed = grant == WATCH_SUPPRESSED;
    if (grant == WATCH_COVERED)
        message->mark.before_s = message->mark.after_s = 0.0;
    snprintf(message->trigger, sizeof message->trigger, "%s", mark->trigger);
    snprintf(message->text, sizeof message->text, "%s", mark->text);
    message->mark.trigger = message->trigger;
    message->mark.text = message->text;
}

void watch_scene_cranking(struct watch_scene *scene, bool engaged, double at_s) {
    struct watch_message *message = post(scene);
    if (!message)
        return;
    message->mark.begins = engaged;
    message->mark.elapsed_ns = watch_nanoseconds(at_s);
}
