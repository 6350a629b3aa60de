// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_source.h - the chunks of the ring's segments in the order they were written, followed
 * while the ring grows. Private to snapshot; one thread.
 *
 * A segment is pinned only while it is opened: a file that is open stays readable when the ring
 * prunes it, so no snapshot ever keeps the ring from making room.
 */
#ifndef CRANKTRAP_SNAPSHOT_SOURCE_H
#define CRANKTRAP_SNAPSHOT_SOURCE_H

#include "chunk.h"
#include "disk_ring.h"

#include <stdint.h>

struct snapshot_source;

/* The segments that may hold something of the elapsed times [from_ns, to_ns] of this boot. */
int snapshot_source_new(struct disk_ring *ring, int64_t from_ns, int64_t to_ns,
                        struct snapshot_source **source);

/* These segments only, none that come later. Takes the pinned list over, and empties it. */
int snapshot_source_new_of(struct disk_ring *ring, struct disk_ring_list *segments,
                           struct snapshot_source **source);

void snapshot_source_free(struct snapshot_source *source); /* takes NULL */

/* The stretch ends later than was said. */
void snapshot_source_lengthen(struct snapshot_source *source, int64_t to_ns);

/*
 * 1 and the next chunk (valid until the next call); 0: no more is written yet; a negative errno.
 * Damage is passed over.
 */
int snapshot_source_next(struct snapshot_source *source, struct chunk *chunk);

#endif
