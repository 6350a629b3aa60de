// SPDX-License-Identifier: Apache-2.0
/*
 * byte_ring.c - one writer, one reader, no lock on the way.
 *
 * `written` and `taken` count bytes since the start and never wrap in practice (64 bits); each is
 * stored by one side only. Every write is a record: a header with length and arrival time, then
 * the bytes. Only a reader that has found nothing sleeps, on an eventfd, after saying so.
 */
#include "byte_ring.h"

#include <errno.h>
#include <poll.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

struct record_header {
    int64_t arrival_ns;
    uint64_t length;
};

struct byte_ring {
    uint8_t *bytes;
    size_t size; /* a power of two */
    int bell;    /* eventfd, rung for a reader that waits */
    /* Each on a cache line of its own: the two sides do not slow each other down. */
    _Alignas(64) _Atomic uint64_t written; /* the writer's */
    _Atomic uint64_t fullest;
    _Alignas(64) _Atomic uint64_t taken; /* the reader's */
    atomic_bool waiting;
};

int byte_ring_new(size_t bytes, struct byte_ring **ring) {
    size_t size = 4096;
    while (size < bytes && size <= SIZE_MAX / 4)
        size *= 2;
    struct byte_ring *made = aligned_alloc(64, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    memset(made, 0, sizeof *made);
    made->size = size;
    made->bell = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    made->bytes = malloc(size);
    if (made->bell < 0 || made->bytes == NULL) {
        byte_ring_free(made);
        return -ENOMEM;
    }
    *ring = made;
    return 0;
}

void byte_ring_free(struct byte_ring *ring) {
    if (ring == NULL)
        return;
    if (ring->bell >= 0)
        close(ring->bell);
    free(ring->bytes);
    free(ring);
}

static void copy_in(struct byte_ring *ring, uint64_t at, const void *from, size_t count) {
    size_t offset = (size_t)at & (ring->size - 1);
    size_t first = ring->size - offset < count ? ring->size - offset : count;
    memcpy(ring->bytes + offset, from, first);
    memcpy(ring->bytes, (const uint8_t *)from + first, count - first);
}

static void copy_out(const struct byte_ring *ring, uint64_t at, void *to, size_t count) {
    size_t offset = (size_t)at & (ring->size - 1);
    size_t first = ring->size - offset < count ? ring->size - offset : count;
    memcpy(to, ring->bytes + offset, first);
    memcpy((uint8_t *)to + first, ring->bytes, count - first);
}

int byte_ring_write(struct byte_ring *ring, const uint8_t *bytes, size_t count,
                    int64_t arrival_ns) {
    const struct record_header header = {arrival_ns, count};
    uint64_t written = atomic_load_explicit(&ring->written, memory_order_relaxed);
    uint64_t taken = atomic_load_explicit(&ring->taken, memory_order_acquire);
    uint64_t fill = written - taken;
    if (count == 0)
        return 0;
    if (count > ring->size || fill + sizeof header + count > ring->size)
        return -ENOSPC;

    copy_in(ring, written, &header, sizeof header);
    copy_in(ring, written + sizeof header, bytes, count);
    fill += sizeof header + count;
    if (fill > atomic_load_explicit(&ring->fullest, memory_order_relaxed))
        atomic_store_explicit(&ring->fullest, fill, memory_order_relaxed);

    /* In one order with the reader's "I wait" and its last look: one of the two sees the other. */
    atomic_store(&ring->written, written + sizeof header + count);
    if (atomic_exchange(&ring->waiting, false))
        byte_ring_wake(ring);
    return 0;
}

static void wait_for_bytes(struct byte_ring *ring, uint64_t taken, int timeout_ms) {
    atomic_store(&ring->waiting, true);
    if (atomic_load(&ring->written) == taken) {
        struct pollfd bell = {ring->bell, POLLIN, 0};
        if (poll(&bell, 1, timeout_ms) > 0) {
            eventfd_t rung;
            (void)eventfd_read(ring->bell, &rung);
        }
    }
    atomic_store(&ring->waiting, false);
}

size_t byte_ring_read(struct byte_ring *ring, uint8_t *bytes, size_t size, int64_t *arrival_ns,
                      int timeout_ms) {
    uint64_t taken = atomic_load_explicit(&ring->taken, memory_order_relaxed);
    if (atomic_load_explicit(&ring->written, memory_order_acquire) == taken && timeout_ms != 0)
        wait_for_bytes(ring, taken, timeout_ms);

    uint64_t written = atomic_load_explicit(&ring->written, memory_order_acquire);
    size_t count = 0;
    while (taken != written) {
        struct record_header header;
        copy_out(ring, taken, &header, sizeof header);
        if (header.length > size - count)
            break;
        copy_out(ring, taken + sizeof header, bytes + count, (size_t)header.length);
        count += (size_t)header.length;
        taken += sizeof header + header.length;
        *arrival_ns = header.arrival_ns;
    }
    atomic_store_explicit(&ring->taken, taken, memory_order_release);
    return count;
}

void byte_ring_wake(struct byte_ring *ring) {
    (void)eventfd_write(ring->bell, 1);
}

size_t byte_ring_size(const struct byte_ring *ring) {
    return ring->size;
}

size_t byte_ring_fill(const struct byte_ring *ring) {
    /* `taken` first: it never passes `written`, so the difference is never negative. */
    uint64_t taken = atomic_load_explicit(&ring->taken, memory_order_acquire);
    return (size_t)(atomic_load_explicit(&ring->written, memory_order_acquire) - taken);
}

size_t byte_ring_fullest(const struct byte_ring *ring) {
    return (size_t)atomic_load_explicit(&ring->fullest, memory_order_relaxed);
}
