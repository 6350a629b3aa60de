// SPDX-License-Identifier: Apache-2.0
/*
 * memory_ring.c - the queue between the pipelines and the writer.
 *
 * One lock, held for a few pointer operations. A block that had to go stays in the queue as a
 * node without bytes and becomes a LOSS chunk only when it is taken, so that losing costs no
 * memory at the moment there is none to spare.
 */
#include "memory_ring.h"

#include "monotonic.h"
#include "summary.h"

#include <errno.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

struct node {
    struct node *older, *newer;
    struct chunk chunk; /* of a lost node: place and times only */
    uint64_t number;    /* as put: 1, 2, ... */
    bool lost;          /* was a block: to be taken as a LOSS */
    uint64_t lost_scans;
    size_t counted_bytes; /* what it adds to the ring's bytes */
};

struct memory_ring {
    pthread_mutex_t lock;
    pthread_cond_t changed;
    struct node *oldest, *newest;
    struct node *oldest_block; /* the next to go when the bound is reached */
    bool closed, woken;
    uint64_t given_bound;
    double stall_s;                       /* that the bound must hold; 0: it stays as given */
    double expected[MEMORY_RING_STREAMS]; /* bytes a second */
    struct memory_ring_state state;       /* .taken_through is worked out when asked for */
};

int memory_ring_new(uint64_t bytes, struct memory_ring **ring) {
    if (bytes == 0)
        return -EINVAL;
    struct memory_ring *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    pthread_condattr_t monotonic;
    pthread_condattr_init(&monotonic);
    pthread_condattr_setclock(&monotonic, CLOCK_MONOTONIC);
    pthread_cond_init(&made->changed, &monotonic);
    pthread_condattr_destroy(&monotonic);
    pthread_mutex_init(&made->lock, NULL);
    made->given_bound = made->state.bound = bytes;
    *ring = made;
    return 0;
}

void memory_ring_free(struct memory_ring *ring) {
    if (!ring)
        return;
    for (struct node *node = ring->oldest; node;) {
        struct node *newer = node->newer;
        chunk_done(&node->chunk);
        free(node);
        node = newer;
    }
    pthread_cond_destroy(&ring->changed);
    pthread_mutex_destroy(&ring->lock);
    free(ring);
}

/* ---- the bound ---- */

#define DRAIN_S 2.0 /* of a disk that goes on: the writer's next try, and the first blocks gone */

static uint64_t memory_share(void) {
    double bytes = (double)sysconf(_SC_PHYS_PAGES) * (double)sysconf(_SC_PAGESIZE);
    return bytes > 0 ? (uint64_t)(bytes / 4) : 0;
}

static void fit_bound(struct memory_ring *ring) {
    if (ring->stall_s <= 0)
        return;
    uint64_t most = memory_share();
    double wanted = ring->state.bytes_per_s * (ring->stall_s + DRAIN_S);
    uint64_t bound = wanted < (double)most ? (uint64_t)wanted : most;
    ring->state.bound = bound > ring->given_bound ? bound : ring->given_bound;
}

void memory_ring_cover(struct memory_ring *ring, double stall_s) {
    pthread_mutex_lock(&ring->lock);
    ring->stall_s = stall_s;
    fit_bound(ring);
    pthread_mutex_unlock(&ring->lock);
}

void memory_ring_expect(struct memory_ring *ring, uint16_t stream, double bytes_per_s) {
    if (stream >= MEMORY_RING_STREAMS)
        return;
    pthread_mutex_lock(&ring->lock);
    ring->expected[stream] = bytes_per_s;
    ring->state.bytes_per_s = 0;
    for (size_t i = 0; i < MEMORY_RING_STREAMS; i++)
        ring->state.bytes_per_s += ring->expected[i];
    fit_bound(ring);
    pthread_mutex_unlock(&ring->lock);
}

/* ---- the queue ---- */

static bool is_block(const struct node *node) {
    return node->chunk.type == CHUNK_BLOCK;
}

static void link_newest(struct memory_ring *ring, struct node *node) {
    node->older = ring->newest;
    if (ring->newest)
        ring->newest->newer = node;
    else
        ring->oldest = node;
    ring->newest = node;
    if (!ring->oldest_block && is_block(node))
        ring->oldest_block = node;
    ring->state.bytes += node->counted_bytes;
}

static void unlink_node(struct memory_ring *ring, struct node *node) {
    if (node->older)
        node->older->newer = node->newer;
    else
        ring->oldest = node->newer;
    if (node->newer)
        node->newer->older = node->older;
    else
        ring->newest = node->older;
    ring->state.bytes -= node->counted_bytes;
}

/* The oldest block is about to leave or to become a loss: the next one is the oldest now. */
static void pass_oldest_block(struct memory_ring *ring) {
    do
        ring->oldest_block = ring->oldest_block->newer;
    while (ring->oldest_block && !is_block(ring->oldest_block));
}

/*
 * The lost node right before `node` in its stream, or NULL. What else stands before the oldest
 * block is small and rare (clocks, marks), and losses are merged: the walk is short.
 */
static struct node *loss_before(const struct node *node) {
    const struct chunk_place *place = &node->chunk.place;
    for (struct node *older = node->older; older; older = older->older) {
        const struct chunk_place *before = &older->chunk.place;
        if (older->lost && before->stream == place->stream)
            return before->epoch == place->epoch &&
                           before->first_scan + older->lost_scans == place->first_scan
                       ? older
                       : NULL;
    }
    return NULL;
}

/* Makes the oldest block a loss in its place, or a part of the loss right before it. */
static void lose_oldest_block(struct memory_ring *ring) {
    struct node *node = ring->oldest_block;
    struct node *before = loss_before(node);
    uint32_t scans = node->chunk.scans;
    ring->state.blocks_lost++;
    ring->state.scans_lost += scans;
    pass_oldest_block(ring);

    struct chunk placed = {
        .type = CHUNK_LOSS,
        .place = node->chunk.place,
        .from_ns = node->chunk.from_ns,
        .to_ns = node->chunk.to_ns,
    };
    chunk_done(&node->chunk);
    if (before) {
        before->lost_scans += scans;
        before->chunk.to_ns = placed.to_ns;
        unlink_node(ring, node);
        free(node);
        return;
    }
    node->chunk = placed;
    node->lost = true;
    node->lost_scans = scans;
    ring->state.bytes -= node->counted_bytes - sizeof *node;
    node->counted_bytes = sizeof *node;
}

void memory_ring_put(struct memory_ring *ring, struct chunk *chunk) {
    struct node *node = calloc(1, sizeof *node);
    bool block = chunk->type == CHUNK_BLOCK;
    if (node) {
        node->chunk = *chunk;
        node->counted_bytes = sizeof *node + chunk->length + summary_rows_bytes(chunk->summary);
    }

    pthread_mutex_lock(&ring->lock);
    struct memory_ring_state *state = &ring->state;
    state->chunks_put++;
    state->blocks_put += block;
    if (node) {
        node->number = state->chunks_put;
        link_newest(ring, node);
    } else if (block) {
        /* No memory even for this: readers find the hole by the scans that are missing. */
        state->blocks_lost++;
        state->scans_lost += chunk->scans;
    }
    while (state->bytes > state->bound && ring->oldest_block)
        lose_oldest_block(ring);
    if (state->bytes > state->fullest)
        state->fullest = state->bytes;
    pthread_cond_signal(&ring->changed);
    pthread_mutex_unlock(&ring->lock);

    if (!node)
        chunk_done(chunk);
    *chunk = (struct chunk){0};
}

/* Hands out the oldest chunk; false where there is none, or no memory to make a LOSS of it. */
static bool take_oldest(struct memory_ring *ring, struct chunk *chunk) {
    struct node *node = ring->oldest;
    if (!node)
        return false;
    if (node->lost) {
        struct chunk loss = {0};
        if (chunk_loss(&loss, &node->chunk.place, node->lost_scans, "disk too slow") < 0)
            return false;
        loss.from_ns = node->chunk.from_ns;
        loss.to_ns = node->chunk.to_ns;
        *chunk = loss;
    } else {
        *chunk = node->chunk;
        ring->state.blocks_taken += node->chunk.type == CHUNK_BLOCK;
    }
    if (node == ring->oldest_block)
        pass_oldest_block(ring);
    unlink_node(ring, node);
    free(node);
    return true;
}

bool memory_ring_take(struct memory_ring *ring, struct chunk *chunk, int timeout_ms) {
    struct timespec deadline = monotonic_in(timeout_ms * INT64_C(1000000));
    pthread_mutex_lock(&ring->lock);
    bool taken;
    while (!(taken = take_oldest(ring, chunk))) {
        if (ring->woken || (ring->closed && !ring->oldest))
            break;
        if (pthread_cond_timedwait(&ring->changed, &ring->lock, &deadline) == ETIMEDOUT)
            break;
    }
    ring->woken = false;
    pthread_mutex_unlock(&ring->lock);
    return taken;
}

/* ---- a look at it ---- */

static int copy_block(const struct chunk *chunk, double row_ns, struct chunk *to) {
    struct chunk copy = *chunk;
    double scan_ns = (double)(chunk->to_ns - chunk->from_ns) / chunk->scans;
    bool rows_do = chunk->summary && scan_ns * SUMMARY_FINEST <= row_ns;
    copy.summary = summary_rows_copy(chunk->summary);
    copy.bytes = rows_do ? NULL : malloc(chunk->length);
    if ((chunk->summary && !copy.summary) || (!rows_do && !copy.bytes)) {
        chunk_done(&copy);
        return -ENOMEM;
    }
    if (copy.bytes)
        memcpy(copy.bytes, chunk->bytes, chunk->length);
    *to = copy;
    return 0;
}

static bool is_wanted(const struct node *node, uint16_t stream, int64_t from_ns, int64_t to_ns) {
    return is_block(node) && node->chunk.place.stream == stream && node->chunk.from_ns < to_ns &&
           node->chunk.to_ns >= from_ns;
}

int memory_ring_copy(struct memory_ring *ring, uint16_t stream, int64_t from_ns, int64_t to_ns,
                     double row_ns, struct chunk **chunks, size_t *count) {
    size_t wanted = 0;
    size_t copied = 0;
    int error = 0;
    pthread_mutex_lock(&ring->lock);
    for (const struct node *node = ring->oldest_block; node; node = node->newer)
        wanted += is_wanted(node, stream, from_ns, to_ns);
    struct chunk *made = calloc(wanted ? wanted : 1, sizeof *made);
    error = made ? 0 : -ENOMEM;
    for (const struct node *node = ring->oldest_block; !error && node; node = node->newer)
        if (is_wanted(node, stream, from_ns, to_ns)) {
            error = copy_block(&node->chunk, row_ns, &made[copied]);
            copied += !error;
        }
    pthread_mutex_unlock(&ring->lock);
    if (error) {
        while (copied)
            chunk_done(&made[--copied]);
        free(made);
        return error;
    }
    *chunks = made;
    *count = copied;
    return 0;
}

void memory_ring_wake(struct memory_ring *ring) {
    pthread_mutex_lock(&ring->lock);
    ring->woken = true;
    pthread_cond_signal(&ring->changed);
    pthread_mutex_unlock(&ring->lock);
}

void memory_ring_close(struct memory_ring *ring) {
    pthread_mutex_lock(&ring->lock);
    ring->closed = true;
    pthread_cond_broadcast(&ring->changed);
    pthread_mutex_unlock(&ring->lock);
}

double memory_ring_fill(struct memory_ring *ring) {
    pthread_mutex_lock(&ring->lock);
    double fill = (double)ring->state.bytes / (double)ring->state.bound;
    pthread_mutex_unlock(&ring->lock);
    return fill;
}

struct memory_ring_state memory_ring_state(struct memory_ring *ring) {
    pthread_mutex_lock(&ring->lock);
    struct memory_ring_state state = ring->state;
    state.taken_through = ring->oldest ? ring->oldest->number - 1 : state.chunks_put;
    pthread_mutex_unlock(&ring->lock);
    return state;
}
