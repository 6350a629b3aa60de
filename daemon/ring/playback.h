// SPDX-License-Identifier: Apache-2.0
/*
 * playback.h - a snapshot, or a stretch of the ring, as a record for the analysis.
 *
 * Opens one or several container files, orders their blocks by stream, epoch and scan, and places
 * them on one axis by the clock chunks (least-squares free: piecewise from anchor to anchor).
 * Second 0 of the axis is the first scan; playback_wall() tells the date.
 */
#ifndef CRANKTRAP_PLAYBACK_H
#define CRANKTRAP_PLAYBACK_H

#include "container.h"
#include "head.h"
#include "record.h"

#include <stddef.h>
#include <stdint.h>

struct playback;

/*
 * `why` (may be NULL, size 0) gets a plain sentence on failure. Errors as container_open, and
 * -ENODATA where no file holds a block. Damage inside is no error: it is in the losses.
 */
int playback_open(const char *const *paths, size_t count, struct playback **playback, char *why,
                  size_t why_size);

/* Frees; takes NULL. */
void playback_free(struct playback *playback);

/* Narrows the record to elapsed times [from_ns, to_ns] (INT64_MIN, INT64_MAX: all there is). */
void playback_narrow(struct playback *playback, int64_t from_ns, int64_t to_ns);

/* The record; belongs to the playback. Its vehicle is the head's, fitted. */
const struct record *playback_record(struct playback *playback);
const struct head *playback_head(const struct playback *playback);

/* Elapsed and wall time (ns) of second 0 of the record's axis. */
int64_t playback_elapsed_ns(const struct playback *playback);
int64_t playback_wall_ns(const struct playback *playback);

/* The MARK chunks' JSON texts in order, with their times in seconds on the axis. */
struct playback_mark {
    double at_s;
    const char *json;
};
size_t playback_marks(const struct playback *playback, const struct playback_mark **marks);

#endif
