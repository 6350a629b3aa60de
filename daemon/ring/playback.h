// SPDX-License-Identifier: Apache-2.0
/*
 * playback.h - a snapshot, or a stretch of the ring, as a record for the analysis.
 *
 * Opens one or several container files, orders their blocks by stream, epoch and scan (a block
 * that two files hold counts once), and places them on one axis by the clock chunks: straight
 * from clock to clock, beyond the last at its rate. Second 0 of the axis is the first scan of the
 * earliest block; other boots than the newest are placed by wall time, never over a later one.
 *
 * Files may hold several heads. The last that can be read counts; what was recorded under a head
 * that means something else (another hookup, other boards or scales) is not in the record, nor
 * are streams that the head does not list.
 *
 * Losses are: what LOSS chunks tell; scans missing between blocks that none explains ("damaged
 * file" beside damage, else "not recorded"); a change of epoch, of unknown size ("recording began
 * anew", where no LOSS says more); damage before the first or after the last block.
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
 * `why` (may be NULL, size 0) gets a plain sentence on failure. Errors as container_open;
 * -EBADMSG where no head can be read; -ENODATA where no file holds a block. Damage inside is no
 * error: it is in the losses. Of several files, one that is missing or not ours is passed over.
 * `*playback` is untouched on failure. One thread at a time.
 */
int playback_open(const char *const *paths, size_t count, struct playback **playback, char *why,
                  size_t why_size);

/* Frees; takes NULL. */
void playback_free(struct playback *playback);

/*
 * Narrows record, losses and marks to elapsed times [from_ns, to_ns] of the newest boot
 * (INT64_MIN, INT64_MAX: all there is), to the scan. The axis stays as it is. May be called
 * again, with any stretch; the record then begins from its start.
 */
void playback_narrow(struct playback *playback, int64_t from_ns, int64_t to_ns);

/*
 * The record; belongs to the playback. Its vehicle is the head's, fitted. A run is a block. A
 * block that cannot be decoded, or has fewer inputs than the head says, is passed over and joins
 * the losses ("damaged file"). The list of losses stays valid until playback_free, and is the
 * latest only until the next call.
 */
const struct record *playback_record(struct playback *playback);
const struct head *playback_head(const struct playback *playback);

/* Elapsed (of the newest boot) and wall time (0: no clock told it) of second 0, ns. */
int64_t playback_elapsed_ns(const struct playback *playback);
int64_t playback_wall_ns(const struct playback *playback);

/*
 * How far the times of two boards may be apart, seconds, one standard deviation: of the two whose
 * clocks are worst. What a bus delays alike is not in it. 0 where there is but one board.
 */
double playback_apart_s(const struct playback *playback);

/* The MARK chunks' JSON texts in order, with their times in seconds on the axis. */
struct playback_mark {
    double at_s;
    const char *json;
};
size_t playback_marks(const struct playback *playback, const struct playback_mark **marks);

#endif
