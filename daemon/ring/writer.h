// SPDX-License-Identifier: Apache-2.0
/*
 * writer.h - the thread between the memory ring and the disk ring.
 */
#ifndef CRANKTRAP_WRITER_H
#define CRANKTRAP_WRITER_H

#include "disk_ring.h"
#include "memory_ring.h"

#include <stdbool.h>
#include <stdint.h>

struct writer;

/* Starts the thread. Syncs at least every `sync_interval_s` while there is something unsynced. */
int writer_start(struct memory_ring *memory, struct disk_ring *disk, double sync_interval_s,
                 struct writer **writer);

/* Any thread: sync after every chunk from now on (`true`), or go back to the interval. */
void writer_urgent(struct writer *writer, bool urgent);

/*
 * Any thread: waits until everything put into the memory ring before the call is durable.
 * 0, -ETIMEDOUT, or the disk's error.
 */
int writer_flush(struct writer *writer, int timeout_ms);

/* Closes the memory ring, writes the rest, syncs, ends the thread, frees. Takes NULL. */
void writer_stop(struct writer *writer);

#endif
