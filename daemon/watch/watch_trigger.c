// SPDX-License-Identifier: Apache-2.0
/*
 * watch_trigger.c - one level against one limit, bound to phases where the section says so.
 */
#include "watch_trigger.h"

#include "excursion.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* A condition that comes back so soon has not been over: it may sit right at its limit. */
#define CALM_S 1.0
/* A button's contacts bounce for less than this. */
#define BOUNCE_S 0.02
/* Where a switch has no threshold: any contact to 5 V or to the battery crosses this. */
#define SWITCH_VOLTS            2.0
#define SWITCH_HYSTERESIS_SHARE 0.2
/* A button is at rest for so long before its rest level counts. */
#define REST_S 0.5

struct watch_trigger {
    const char *name;
    size_t channel;
    const char *lead, *unit;
    unsigned when; /* phases, as bits; 0: any */
    double before_s, after_s;
    double level;
    bool above; /* the condition: above the level, else below it */
    bool is_switch;
    double rested_s; /* a switch: samples seen since the start, until its rest level is known */
    struct excursion_range range;
    struct excursion *excursion;

    bool met;    /* the condition holds now, as far as the samples go */
    bool fresh;  /* it began, or its phase came, and no mark was made of it yet */
    bool marked; /* a mark has said that it began */
    double from_s, to_s;
    double extreme;
};

static int make(const struct watch_scene *scene, struct watch_trigger *draft,
                struct watch_trigger **trigger) {
    const struct vehicle_channel *lead = &scene->vehicle->channels[draft->channel];
    struct watch_trigger *made = malloc(sizeof *made);
    if (!made)
        return -ENOMEM;
    *made = *draft;
    made->lead = lead->name;
    made->unit = lead->unit;
    int result = excursion_new(&lead->scale, &made->range, &made->excursion);
    if (result) {
        free(made);
        return result;
    }
    *trigger = made;
    return 0;
}

/* Out of the range is where the condition holds. */
static struct excursion_range range_of(const struct watch_trigger *trigger, double hysteresis,
                                       double for_s) {
    return (struct excursion_range){.low = trigger->above ? -(double)INFINITY : trigger->level,
                                    .high = trigger->above ? trigger->level : (double)INFINITY,
                                    .hysteresis = hysteresis,
                                    .minimum_s = for_s};
}

int watch_trigger_new(const struct watch_scene *scene, const struct hookup_trigger *section,
                      struct watch_trigger **trigger) {
    struct watch_trigger draft = {.name = section->name,
                                  .channel = section->channel,
                                  .when = section->when,
                                  .before_s = section->before_s,
                                  .after_s = section->after_s,
                                  .level = section->level,
                                  .above = section->kind == TRIGGER_ABOVE};
    draft.range = range_of(&draft, section->hysteresis, section->for_s);
    return make(scene, &draft, trigger);
}

int watch_trigger_new_switch(const struct watch_scene *scene, size_t channel,
                             struct watch_trigger **trigger) {
    double threshold = scene->vehicle->channels[channel].threshold;
    struct watch_trigger draft = {.name = "switch",
                                  .channel = channel,
                                  .before_s = scene->hookup->storage.before_s,
                                  .after_s = scene->hookup->storage.after_s,
                                  .level = isnan(threshold) ? SWITCH_VOLTS : threshold,
                                  .above = true,
                                  .is_switch = true};
    draft.range = range_of(&draft, fabs(draft.level) * SWITCH_HYSTERESIS_SHARE, BOUNCE_S);
    return make(scene, &draft, trigger);
}

void watch_trigger_free(struct watch_trigger *trigger) {
    if (!trigger)
        return;
    excursion_free(trigger->excursion);
    free(trigger);
}

size_t watch_trigger_channel(const struct watch_trigger *trigger) {
    return trigger->channel;
}

static void on_excursion(void *context, const struct excursion_event *event) {
    struct watch_trigger *trigger = context;
    trigger->met = event->begins;
    if (!event->begins) {
        if (!isnan(event->to_s))
            trigger->to_s = event->to_s;
    } else if (!trigger->marked) {
        trigger->fresh = true;
        trigger->from_s = event->from_until_s;
        trigger->extreme = event->extreme;
    }
    if (trigger->above ? event->extreme > trigger->extreme : event->extreme < trigger->extreme)
        trigger->extreme = event->extreme;
}

/* A button that rests above its threshold is pressed when it falls below: learnt at the start. */
static bool learn_rest(struct watch_trigger *trigger, const struct watch_scene *scene,
                       double seconds) {
    trigger->rested_s += seconds;
    double lowest = 0.0;
    double highest = 0.0;
    if (trigger->rested_s < REST_S ||
        !watch_level_extremes(&scene->levels[trigger->channel], &lowest, &highest))
        return false;
    trigger->above = (lowest + highest) * 0.5 <= trigger->level;
    trigger->range = range_of(trigger, trigger->range.hysteresis, trigger->range.minimum_s);
    excursion_set_range(trigger->excursion, &trigger->range);
    return true;
}

void watch_trigger_push(struct watch_trigger *trigger, struct watch_scene *scene,
                        const int32_t *counts, size_t count, double time_s, double period_s) {
    if (trigger->is_switch && trigger->rested_s < REST_S &&
        !learn_rest(trigger, scene, period_s * (double)count))
        return;
    excursion_push(trigger->excursion, counts, count, time_s, period_s, on_excursion, trigger);
}

void watch_trigger_break(struct watch_trigger *trigger, struct watch_scene *scene) {
    bool was_met = trigger->met;
    excursion_break(trigger->excursion, on_excursion, trigger);
    if (was_met)
        trigger->to_s = scene->now_s;
}

/* The phase of a moment fits, or the condition still held when one that fits began. */
static bool phase_fits(const struct watch_trigger *trigger, const struct watch_scene *scene) {
    if (trigger->when == 0)
        return true;
    if (trigger->when & (1u << watch_scene_phase_at(scene, trigger->from_s)))
        return true;
    bool held = trigger->met || trigger->to_s > watch_scene_phase_since(scene);
    return held && (trigger->when & (1u << scene->phase));
}

static void mark(struct watch_trigger *trigger, struct watch_scene *scene, bool begins,
                 double at_s) {
    char text[256];
    enum phase phase = watch_scene_phase_at(scene, at_s);
    double lasted_s = at_s - trigger->from_s;
    if (trigger->is_switch)
        snprintf(text, sizeof text, begins ? "%s: the button was pressed." : "%s: let go.",
                 trigger->lead);
    else if (begins)
        snprintf(text, sizeof text, "%s %s %.2f %s: %.2f %s %s.", trigger->lead,
                 trigger->above ? "is above" : "is below", trigger->level, trigger->unit,
                 trigger->extreme, trigger->unit, watch_phase_words(phase));
    else
        snprintf(text, sizeof text, "%s is no longer %s %.2f %s after %.3f s; %s %.2f %s.",
                 trigger->lead, trigger->above ? "above" : "below", trigger->level, trigger->unit,
                 lasted_s, trigger->above ? "highest" : "lowest", trigger->extreme, trigger->unit);
    struct watch_mark note = {.trigger = trigger->name,
                              .channel = trigger->channel,
                              .phase = phase,
                              .elapsed_ns = watch_nanoseconds(at_s),
                              .value = trigger->extreme,
                              .begins = begins,
                              .text = text};
    if (begins)
        note.before_s = trigger->before_s;
    if (begins || (lasted_s <= trigger->after_s && !trigger->is_switch))
        note.after_s = trigger->after_s;
    watch_scene_mark(scene, &note);
}

void watch_trigger_settle(struct watch_trigger *trigger, struct watch_scene *scene) {
    if (trigger->fresh && phase_fits(trigger, scene)) {
        trigger->fresh = false;
        trigger->marked = true;
        mark(trigger, scene, true, trigger->from_s);
    }
    if (trigger->met || scene->now_s - trigger->to_s < CALM_S)
        return;
    trigger->fresh = false;
    if (trigger->marked) {
        trigger->marked = false;
        mark(trigger, scene, false, trigger->to_s);
    }
}
