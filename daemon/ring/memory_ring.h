// SPDX-License-Identifier: Apache-2.0
/*
 * memory_ring.h - coded chunks on their way to the disk, bounded in bytes.
 *
 * Several pipelines put, one writer takes. Putting never waits: when the bound is reached, the
 * oldest BLOCK not yet taken becomes a LOSS of exactly its scans, in its place ("disk too slow");
 * losses that follow each other in their stream become one. Other chunks are small and always kept.
 */
#ifndef CRANKTRAP_MEMORY_RING_H
#define CRANKTRAP_MEMORY_RING_H

#include "chunk.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct memory_ring;

struct memory_ring_state {
    uint64_t bytes, bound; /* held now; the most it holds */
    double bytes_per_s;    /* what all streams are expected to put at most; 0: not known */
    uint64_t fullest;      /* most bytes ever held */
    uint64_t blocks_put, blocks_taken;
    uint64_t blocks_lost, scans_lost;

    /*
     * Chunks of all types are numbered 1, 2, ... as they are put. All up to `taken_through` have
     * left the ring, taken or (blocks) made part of a loss that has been taken.
     */
    uint64_t chunks_put, taken_through;
};

/* `bytes`: the most it holds. 0 or a negative errno. */
int memory_ring_new(uint64_t bytes, struct memory_ring **ring);
void memory_ring_free(struct memory_ring *ring); /* takes NULL; frees what is inside */

/*
 * Any thread. From now on the bound follows the streams: it holds `stall_s` seconds of what they
 * are expected to put while the disk stands still, and two more, in which the writer notices that
 * the disk goes on and the oldest leaves. Never less than memory_ring_new() was given, never more
 * than a quarter of the computer's memory beyond that. Without this call the bound stays.
 */
void memory_ring_cover(struct memory_ring *ring, double stall_s);

/* Any thread. Stream `stream` puts at most so many bytes a second from now on (in chunks of at
 * least a few hundred bytes). A stream above MEMORY_RING_STREAMS is not expected. */
#define MEMORY_RING_STREAMS 64
void memory_ring_expect(struct memory_ring *ring, uint16_t stream, double bytes_per_s);

/* Any thread. Takes the chunk's bytes over and zeroes `*chunk`. Never waits for the disk. */
void memory_ring_put(struct memory_ring *ring, struct chunk *chunk);

/*
 * The writer. Takes the oldest chunk (now the caller's): true; or false after `timeout_ms`
 * without one, when woken, or once the ring is closed and empty.
 */
bool memory_ring_take(struct memory_ring *ring, struct chunk *chunk, int timeout_ms);

/* Any thread. A waiting taker returns, or the next one does at once where none waits. */
void memory_ring_wake(struct memory_ring *ring);

/* How full, 0..1: pipelines fall to the fast codec effort above 0.5. Above 1 only where chunks
 * that are always kept exceed the bound by themselves. */
double memory_ring_fill(struct memory_ring *ring);

/*
 * Any thread. Copies of the BLOCK chunks of a stream that are held now and touch the elapsed times
 * [from_ns, to_ns), oldest first (chunk_done() each, free() the array). The bytes come along only
 * where the rows of the block's summary are longer than `row_ns` or missing; elsewhere
 * `chunk->bytes` is NULL and its rows must do. 0 or -ENOMEM. Who puts waits as long as this takes.
 */
int memory_ring_copy(struct memory_ring *ring, uint16_t stream, int64_t from_ns, int64_t to_ns,
                     double row_ns, struct chunk **chunks, size_t *count);

/* No more is put: a waiting taker returns. */
void memory_ring_close(struct memory_ring *ring);

/* Any thread. How it stands. */
struct memory_ring_state memory_ring_state(struct memory_ring *ring);

#endif
