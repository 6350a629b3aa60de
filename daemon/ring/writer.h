// SPDX-License-Identifier: Apache-2.0
/*
 * writer.h - the thread between the memory ring and the disk ring.
 *
 * While the disk takes nothing (full, failing) the writer holds on to the chunk and tries again
 * every second: meanwhile the memory ring fills and, beyond its bound, loses its oldest blocks as
 * counted losses in their place. Acquisition never waits.
 */
#ifndef CRANKTRAP_WRITER_H
#define CRANKTRAP_WRITER_H

#include "disk_ring.h"
#include "memory_ring.h"

#include <stdbool.h>
#include <stdint.h>

struct writer;

/*
 * Starts the thread. Syncs at least every `sync_interval_s` while there is something unsynced.
 * Both rings are kept; from here on only the writer appends. 0 or a negative errno.
 */
int writer_start(struct memory_ring *memory, struct disk_ring *disk, double sync_interval_s,
                 struct writer **writer);

/* Any thread: from now on sync whenever the memory ring is empty, and at least every 0.25 s
 * (`true`); or go back to the interval. What is unsynced is synced at once. */
void writer_urgent(struct writer *writer, bool urgent);

/*
 * Any thread: waits until everything put into the memory ring before the call is durable.
 * 0, -ETIMEDOUT, or the disk's error.
 */
int writer_flush(struct writer *writer, int timeout_ms);

/*
 * Closes the memory ring, writes the rest, syncs, ends the thread, frees. Takes NULL. What the
 * disk does not take now is dropped and counted (disk_ring_state).
 */
void writer_stop(struct writer *writer);

#endif
