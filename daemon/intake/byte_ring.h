// SPDX-License-Identifier: Apache-2.0
/*
 * byte_ring.h - bytes from the transport thread to the pipeline thread: one writer, one reader,
 * no lock on the way. Holds about a second; it evens out scheduling and nothing else.
 *
 * Each write carries its arrival time, so that the clock knows when a scan's last byte came.
 */
#ifndef CRANKTRAP_BYTE_RING_H
#define CRANKTRAP_BYTE_RING_H

#include <stddef.h>
#include <stdint.h>

struct byte_ring;

/* `bytes` is rounded up to a power of two. Each write takes 16 bytes more than it holds. */
int byte_ring_new(size_t bytes, struct byte_ring **ring);
void byte_ring_free(struct byte_ring *ring); /* takes NULL */

/*
 * Writer. All or nothing: 0, or -ENOSPC when they do not fit (the caller counts the loss).
 */
int byte_ring_write(struct byte_ring *ring, const uint8_t *bytes, size_t count, int64_t arrival_ns);

/*
 * Reader. Waits up to `timeout_ms`; copies the bytes of one or more whole writes up to `size`
 * (at least the largest write), and the arrival time of the last. Returns their number, 0 for none.
 */
size_t byte_ring_read(struct byte_ring *ring, uint8_t *bytes, size_t size, int64_t *arrival_ns,
                      int timeout_ms);

/* Any thread: a waiting reader returns, or the next one that would wait. */
void byte_ring_wake(struct byte_ring *ring);

/* Any thread. Bytes it can hold, bytes held now, and the most ever held. */
size_t byte_ring_size(const struct byte_ring *ring);
size_t byte_ring_fill(const struct byte_ring *ring);
size_t byte_ring_fullest(const struct byte_ring *ring);

#endif
