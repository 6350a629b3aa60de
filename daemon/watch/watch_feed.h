// SPDX-License-Identifier: Apache-2.0
/*
 * watch_feed.h - the default trigger of every feed: outside its limit while the key is on.
 *
 * A feed falls to 0 V at every key-off, and that is no event. What tells the two apart comes late
 * (a cranking's end is known up to 1 s after), so an excursion is judged 1.5 s after it began.
 * The rule in words: docs/triggers.md. Private to watch, and under its lock.
 */
#ifndef CRANKTRAP_WATCH_FEED_H
#define CRANKTRAP_WATCH_FEED_H

#include "record.h"
#include "watch_scene.h"

#include <stddef.h>

struct watch_feed;

/* For feed `channel`, whose scale is final. 0, -ENOMEM, or -ENOENT where it has no nominal. */
int watch_feed_new(const struct watch_scene *scene, size_t channel, struct watch_feed **feed);
void watch_feed_free(struct watch_feed *feed); /* takes NULL */

/* The feed's own samples; its live level has had them already. */
void watch_feed_push(struct watch_feed *feed, struct watch_scene *scene, const int32_t *counts,
                     size_t count, double time_s, double period_s);

/* Scans are missing here. */
void watch_feed_break(struct watch_feed *feed, struct watch_scene *scene);

/* After each push, and after each change of the phase. */
void watch_feed_settle(struct watch_feed *feed, struct watch_scene *scene);

#endif
