// SPDX-License-Identifier: Apache-2.0
/*
 * watch_silent.h - a lead that has no edge for a time while the engine turns.
 *
 * That the engine turns is taken from the starter, which is engaged, or from edges of another
 * signal that go on. The rule in words: docs/triggers.md. Private to watch, and under its lock.
 */
#ifndef CRANKTRAP_WATCH_SILENT_H
#define CRANKTRAP_WATCH_SILENT_H

#include "watch_scene.h"

#include <stddef.h>

struct watch_silent;

/* For a `silent` section; the channel's scale is final. 0 or -ENOMEM. */
int watch_silent_new(const struct watch_scene *scene, size_t section, struct watch_silent **silent);

/*
 * For a channel of role `signal`: the default trigger where a sensor has it; else it only notes
 * its edges, as evidence that the engine turns. 0 or -ENOMEM.
 */
int watch_silent_new_signal(const struct watch_scene *scene, size_t channel,
                            struct watch_silent **silent);
void watch_silent_free(struct watch_silent *silent); /* takes NULL */

/* The channel's samples. */
void watch_silent_push(struct watch_silent *silent, struct watch_scene *scene,
                       const int32_t *counts, size_t count, double time_s, double period_s);

/* Scans are missing here: nobody knows what was in them. */
void watch_silent_break(struct watch_silent *silent);

/* After each push, and after each change of the phase. */
void watch_silent_settle(struct watch_silent *silent, struct watch_scene *scene);

#endif
