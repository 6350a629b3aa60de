// SPDX-License-Identifier: Apache-2.0
/*
 * timeline.h - from (stream, epoch, scan) to one axis of nanoseconds, by the CLOCK chunks.
 *
 * The axis is the elapsed time of the newest boot. Between two clocks of an epoch time runs
 * straight; before the first and after the last it runs at their rate. Other boots are placed by
 * wall time, but never over a later one. All results are within +-2^61, whatever the clocks say.
 * Used by playback only: add, finish, guess, finish, extend, place; then ask.
 */
#ifndef CRANKTRAP_TIMELINE_H
#define CRANKTRAP_TIMELINE_H

#include "chunk.h"

#include <stddef.h>
#include <stdint.h>

#define TIMELINE_NONE ((size_t)-1)

struct timeline;

/* 0 or -ENOMEM. */
int timeline_new(struct timeline **timeline);
void timeline_free(struct timeline *timeline); /* takes NULL */

/* A clock; those that cannot be (a rate no board has) are passed over. 0 or -ENOMEM. */
int timeline_add(struct timeline *timeline, const struct chunk_clock *clock);

/* Sorts what was added; again after more was. 0 or -ENOMEM. */
int timeline_finish(struct timeline *timeline);

/*
 * After a finish: a clock for an epoch that has none; passed over where it has. Of an unknown
 * boot: the newest. Its wall time is not looked at. Then finish again. 0 or -ENOMEM.
 */
int timeline_guess(struct timeline *timeline, const struct chunk_clock *clock);

/* Index of an epoch of a stream, or TIMELINE_NONE where no clock told of it. */
size_t timeline_epoch(const struct timeline *timeline, uint16_t stream, uint32_t epoch);

/* There are samples of this epoch from scan `first` to before `end`. */
void timeline_extend(struct timeline *timeline, size_t epoch, uint64_t first, uint64_t end);

/* All epochs have been extended: places boots, and keeps each stream's epochs from overlapping. */
void timeline_place(struct timeline *timeline);

/* The moment of a scan on the axis. */
int64_t timeline_at(const struct timeline *timeline, size_t epoch, uint64_t scan);

/* The moment of an elapsed time of a boot; of the newest boot where that one is not known. */
int64_t timeline_of_boot(const struct timeline *timeline, const uint8_t boot[16],
                         int64_t elapsed_ns);

/* How wrong a stream's times may be by its latest clock, ns, one standard deviation; 0: no clock.
 */
double timeline_error_ns(const struct timeline *timeline, uint16_t stream);

/* Wall time of a moment on the axis; 0 where no clock told it. */
int64_t timeline_wall(const struct timeline *timeline, int64_t at_ns);

#endif
