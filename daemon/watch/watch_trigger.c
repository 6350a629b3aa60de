// SPDX-License-Identifier: Apache-2.0
/*
 * watch_trigger.c - one level against its limits or for steps, bound to phases where the section
 * says so.
 */
#include "watch_trigger.h"

#include "excursion.h"
#include "watch_step.h"

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
    size_t budget;
    unsigned when; /* phases, as bits; 0: any */
    double before_s, after_s;
    enum trigger_kind kind;
    double level; /* as in a hookup_trigger */
    double level_high, within_s;
    bool above; /* the condition, or the side it is on: above, else below */
    bool is_switch;
    double rested_s; /* a switch: samples seen since the start, until its rest level is known */
    struct excursion_range range;
    struct excursion *excursion; /* NULL: it looks for steps */
    struct watch_step step;

    bool met;    /* the condition holds now, as far as the samples go */
    bool fresh;  /* it began, or its phase came, and no mark was made of it yet */
    bool marked; /* a mark has said that it began */
    double from_s, to_s;
    double extreme;
    double stepped_from; /* a step's level before */
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
    int result = 0;
    if (made->kind == TRIGGER_STEP)
        watch_step_init(&made->step, &lead->scale, made->level, made->within_s,
                        made->range.minimum_s);
    else
        result = excursion_new(&lead->scale, &made->range, &made->excursion);
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
    struct excursion_range range = {.low = trigger->above ? -(double)INFINITY : trigger->level,
                                    .high = trigger->above ? trigger->level : (double)INFINITY,
                                    .hysteresis = hysteresis,
                                    .minimum_s = for_s};
    if (trigger->kind == TRIGGER_OUTSIDE) {
        range.low = trigger->level;
        range.high = trigger->level_high;
    }
    return range;
}

int watch_trigger_new(const struct watch_scene *scene, size_t section,
                      struct watch_trigger **trigger) {
    const struct hookup_trigger *given = &scene->hookup->triggers[section];
    struct watch_trigger draft = {.name = given->name,
                                  .channel = given->channel,
                                  .budget = watch_scene_budget_of_section(scene, section),
                                  .when = given->when,
                                  .before_s = given->before_s,
                                  .after_s = given->after_s,
                                  .kind = given->kind,
                                  .level = given->level,
                                  .level_high = given->level_high,
                                  .within_s = given->within_s,
                                  .above = given->kind == TRIGGER_ABOVE};
    draft.range = range_of(&draft, given->hysteresis, given->for_s);
    return make(scene, &draft, trigger);
}

int watch_trigger_new_switch(const struct watch_scene *scene, size_t channel,
                             struct watch_trigger **trigger) {
    double threshold = scene->vehicle->channels[channel].threshold;
    struct watch_trigger draft = {.name = "switch",
                                  .channel = channel,
                                  .budget = channel,
                                  .kind = TRIGGER_ABOVE,
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
        if (trigger->kind == TRIGGER_OUTSIDE)
            trigger->above = !event->low;
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

/* A step is over as soon as it is there; another within CALM_S belongs to the same event. */
static void push_step(struct watch_trigger *trigger, const int32_t *counts, size_t count,
                      double time_s, double period_s) {
    struct watch_step_event event;
    size_t used = 0;
    for (size_t from = 0; from < count; from += used) {
        if (!watch_step_push(&trigger->step, counts + from, count - from,
                             time_s + period_s * (double)from, period_s, &used, &event))
            return;
        trigger->to_s = event.at_s;
        if (trigger->marked || trigger->fresh)
            continue;
        trigger->fresh = true;
        trigger->from_s = event.at_s;
        trigger->extreme = event.level;
        trigger->stepped_from = event.from;
    }
}

void watch_trigger_push(struct watch_trigger *trigger, struct watch_scene *scene,
                        const int32_t *counts, size_t count, double time_s, double period_s) {
    if (trigger->is_switch && trigger->rested_s < REST_S &&
        !learn_rest(trigger, scene, period_s * (double)count))
        return;
    if (trigger->excursion)
        excursion_push(trigger->excursion, counts, count, time_s, period_s, on_excursion, trigger);
    else
        push_step(trigger, counts, count, time_s, period_s);
}

void watch_trigger_break(struct watch_trigger *trigger, struct watch_scene *scene) {
    bool was_met = trigger->met;
    if (!trigger->excursion) {
        watch_step_break(&trigger->step);
        return;
    }
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

/* "below 4.60 V", "outside 4.75 to 5.25 V". */
static void describe(const struct watch_trigger *trigger, char *text, size_t size) {
    if (trigger->kind == TRIGGER_OUTSIDE)
        snprintf(text, size, "outside %.2f to %.2f %s", trigger->level, trigger->level_high,
                 trigger->unit);
    else
        snprintf(text, size, "%s %.2f %s", trigger->above ? "above" : "below", trigger->level,
                 trigger->unit);
}

static void say(const struct watch_trigger *trigger, bool begins, enum phase phase, double lasted_s,
                char *text, size_t size) {
    char limits[96];
    describe(trigger, limits, sizeof limits);
    if (trigger->is_switch)
        snprintf(text, size, begins ? "%s: the button was pressed." : "%s: let go.", trigger->lead);
    else if (trigger->kind == TRIGGER_STEP)
        /* The first level that is far enough: where it goes on to is not known yet. */
        snprintf(text, size, "%s %s by at least %.2f %s within %.6g s, from %.2f %s, %s.",
                 trigger->lead, trigger->extreme > trigger->stepped_from ? "rose" : "fell",
                 fabs(trigger->extreme - trigger->stepped_from), trigger->unit, trigger->within_s,
                 trigger->stepped_from, trigger->unit, watch_phase_words(phase));
    else if (begins)
        snprintf(text, size, "%s is %s: %.2f %s %s.", trigger->lead, limits, trigger->extreme,
                 trigger->unit, watch_phase_words(phase));
    else
        snprintf(text, size, "%s is no longer %s after %.3f s; %s %.2f %s.", trigger->lead, limits,
                 lasted_s, trigger->above ? "highest" : "lowest", trigger->extreme, trigger->unit);
}

static void mark(struct watch_trigger *trigger, struct watch_scene *scene, bool begins,
                 double at_s) {
    char text[256];
    enum phase phase = watch_scene_phase_at(scene, at_s);
    double lasted_s = at_s - trigger->from_s;
    say(trigger, begins, phase, lasted_s, text, sizeof text);
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
    watch_scene_mark(scene, &note, &scene->budgets[trigger->budget]);
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
        if (trigger->kind != TRIGGER_STEP) /* which has no end */
            mark(trigger, scene, false, trigger->to_s);
    }
}
