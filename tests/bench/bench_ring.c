// SPDX-License-Identifier: Apache-2.0
/*
 * bench_ring.c - the second that all others are copies of: a battery with noise, steady levels,
 * two square waves, a ripple; 12 bits.
 */
#include "bench_ring.h"

#include "codec.h"
#include "disk_ring.h"
#include "summary.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SECOND_NS INT64_C(1000000000)

struct second {
    struct codec_work *work;
    int32_t samples[RING_INPUTS][RING_RATE_HZ];
    uint8_t *coded[RING_INPUTS];
    size_t length[RING_INPUTS];
};

static int32_t noise(uint32_t *state) {
    *state = *state * 1664525u + 1013904223u;
    return (int32_t)(*state >> 30) + (int32_t)(*state >> 28 & 3) - 3;
}

static int make_second(struct second *second) {
    uint32_t state = 1;
    for (size_t i = 0; i < RING_RATE_HZ; i++) {
        int32_t ripple = (int32_t)lrint(40 * sin((double)i * 0.006));
        const int32_t level[RING_INPUTS] = {
            2600 + ripple,           4000, 12,   i / 37 % 2 ? 4000 : 30,
            i / 611 % 3 ? 3990 : 25, 2048, 2590, 2570};
        for (size_t input = 0; input < RING_INPUTS; input++)
            second->samples[input][i] = level[input] + noise(&state) / 2;
    }
    if (codec_work_new(&second->work) < 0)
        return -1;
    for (size_t input = 0; input < RING_INPUTS; input++) {
        second->coded[input] = malloc(codec_bound(RING_RATE_HZ));
        if (!second->coded[input])
            return -1;
        second->length[input] = codec_encode(second->work, second->samples[input], RING_RATE_HZ,
                                             CODEC_FULL, second->coded[input]);
    }
    return 0;
}

int64_t ring_second_ns(uint64_t second) {
    return SECOND_NS * (int64_t)(second + 1);
}

static int append(struct disk_ring *ring, struct chunk *chunk) {
    int error = disk_ring_append(ring, chunk);
    chunk_done(chunk);
    return error;
}

static int append_second(struct disk_ring *ring, const struct second *second, uint64_t number,
                         int64_t begin_ns) {
    const struct chunk_place place = {.epoch = 1, .first_scan = number * RING_RATE_HZ};
    const int32_t *counts[RING_INPUTS];
    struct chunk chunk = {0};
    for (size_t input = 0; input < RING_INPUTS; input++)
        counts[input] = second->samples[input];
    int error = chunk_block(&chunk, &place, RING_RATE_HZ, RING_INPUTS,
                            (const uint8_t *const *)second->coded, second->length);
    if (error)
        return error;
    chunk.from_ns = begin_ns + SECOND_NS * (int64_t)number;
    chunk.to_ns = chunk.from_ns + SECOND_NS;
    chunk.summary = summary_rows_make(counts, RING_INPUTS, place.first_scan, RING_RATE_HZ);
    return append(ring, &chunk);
}

static int append_clock(struct disk_ring *ring, const struct ring_origin *origin) {
    struct chunk_clock clock = {
        .place = {.epoch = 1}, .elapsed_ns = origin->begin_ns, .rate_hz = RING_RATE_HZ};
    struct chunk chunk = {0};
    memcpy(clock.boot, origin->boot, sizeof clock.boot);
    int error = chunk_clock_make(&chunk, &clock);
    return error ? error : append(ring, &chunk);
}

int ring_make(const char *folder, uint64_t seconds, uint64_t segment_bytes, uint64_t *bytes) {
    const struct ring_origin origin = {ring_second_ns(0), {1}, "{}"};
    return ring_make_at(folder, seconds, segment_bytes, &origin, bytes);
}

int ring_make_at(const char *folder, uint64_t seconds, uint64_t segment_bytes,
                 const struct ring_origin *origin, uint64_t *bytes) {
    static struct second second;
    const struct disk_ring_settings settings = {.bytes = UINT64_C(1) << 32,
                                                .segment_bytes = segment_bytes};
    struct disk_ring_found found;
    struct disk_ring *ring = NULL;
    int error = make_second(&second);
    if (!error)
        error = disk_ring_open(folder, &settings, &found, &ring);
    if (!error)
        error = disk_ring_set_head(ring, origin->head);
    if (!error)
        error = append_clock(ring, origin);
    for (uint64_t i = 0; !error && i < seconds; i++)
        error = append_second(ring, &second, i, origin->begin_ns);
    if (ring)
        *bytes = disk_ring_state(ring).bytes;
    disk_ring_close(ring);
    for (size_t input = 0; input < RING_INPUTS; input++)
        free(second.coded[input]);
    codec_work_free(second.work);
    if (error)
        fprintf(stderr, "cranktrap-bench: the ring could not be made: %s\n", strerror(-error));
    return error ? -1 : 0;
}
