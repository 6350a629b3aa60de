// SPDX-License-Identifier: Apache-2.0
/*
 * watch_trigger.h - triggers of the hookup file on a level (below, above, outside, step) and the
 * push-buttons.
 *
 * Private to watch, and under its lock.
 */
#ifndef CRANKTRAP_WATCH_TRIGGER_H
#define CRANKTRAP_WATCH_TRIGGER_H

#include "watch_scene.h"

#include <stddef.h>

struct watch_trigger;

/* For a section of one of those; the channel's scale is final. 0 or -ENOMEM. */
int watch_trigger_new(const struct watch_scene *scene, size_t section,
                      struct watch_trigger **trigger);

/* For a channel of role `switch`. 0 or -ENOMEM. */
int watch_trigger_new_switch(const struct watch_scene *scene, size_t channel,
                             struct watch_trigger **trigger);
void watch_trigger_free(struct watch_trigger *trigger); /* takes NULL */

/* The channel's samples; its live level has had them already. */
void watch_trigger_push(struct watch_trigger *trigger, struct watch_scene *scene,
                        const int32_t *counts, size_t count, double time_s, double period_s);

/* Scans are missing here. */
void watch_trigger_break(struct watch_trigger *trigger, struct watch_scene *scene);

/* After each push, and after each change of the phase. */
void watch_trigger_settle(struct watch_trigger *trigger, struct watch_scene *scene);

#endif
