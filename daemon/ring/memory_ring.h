// SPDX-License-Identifier: Apache-2.0
/*
 * memory_ring.h - coded chunks on their way to the disk, bounded in bytes.
 *
 * Several pipelines put, one writer takes. Putting never waits: when the bound is reached, the
 * oldest BLOCK not yet taken becomes a LOSS of exactly its scans, in its place ("disk too slow").
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
    uint64_t fullest;      /* most bytes ever held */
    uint64_t blocks_put, blocks_taken;
    uint64_t blocks_lost, scans_lost;
};

int memory_ring_new(uint64_t bytes, struct memory_ring **ring);
void memory_ring_free(struct memory_ring *ring); /* takes NULL; frees what is inside */

/* Any thread. Takes the chunk's bytes over and zeroes `*chunk`. Never waits for the disk. */
void memory_ring_put(struct memory_ring *ring, struct chunk *chunk);

/*
 * The writer. Takes the oldest chunk (now the caller's): true; or false after `timeout_ms`
 * without one, or once the ring is closed and empty.
 */
bool memory_ring_take(struct memory_ring *ring, struct chunk *chunk, int timeout_ms);

/* How full, 0..1: pipelines fall to the fast codec effort above 0.5. */
double memory_ring_fill(struct memory_ring *ring);

/* No more is put: a waiting taker returns. */
void memory_ring_close(struct memory_ring *ring);

struct memory_ring_state memory_ring_state(struct memory_ring *ring);

#endif
