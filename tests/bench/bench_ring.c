// SPDX-License-Identifier: Apache-2.0
/*
 * bench_ring.c - the second that all others are copies of: a battery with noise, steady levels,
 * two square waves, a ripple; 12 bits.
 */
#include "bench_ring.h"

#include "bench.h"
#include "codec.h"
#include "disk_ring.h"
#include "summary.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define SECOND_NS INT64_C(1000000000)

struct second {
    uint32_t rate_hz;
    struct codec_work *work;
    int32_t samples[RING_INPUTS][RING_RATE_HZ];
    uint8_t *coded[RING_INPUTS];
    size_t length[RING_INPUTS];
};

static int32_t noise(uint32_t *state) {
    *state = *state * 1664525u + 1013904223u;
    return (int32_t)(*state >> 30) + (int32_t)(*state >> 28 & 3) - 3;
}

static int make_second(struct second *second, uint32_t rate_hz) {
    uint32_t state = 1;
    second->rate_hz = rate_hz;
    for (size_t i = 0; i < rate_hz; i++) {
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
        second->coded[input] = malloc(codec_bound(rate_hz));
        if (!second->coded[input])
            return -1;
        second->length[input] = codec_encode(second->work, second->samples[input], rate_hz,
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
    const struct chunk_place place = {.epoch = 1, .first_scan = number * second->rate_hz};
    const int32_t *counts[RING_INPUTS];
    struct chunk chunk = {0};
    for (size_t input = 0; input < RING_INPUTS; input++)
        counts[input] = second->samples[input];
    int error = chunk_block(&chunk, &place, second->rate_hz, RING_INPUTS,
                            (const uint8_t *const *)second->coded, second->length);
    if (error)
        return error;
    chunk.from_ns = begin_ns + SECOND_NS * (int64_t)number;
    chunk.to_ns = chunk.from_ns + SECOND_NS;
    chunk.summary = summary_rows_make(counts, RING_INPUTS, place.first_scan, second->rate_hz);
    return append(ring, &chunk);
}

static int append_clock(struct disk_ring *ring, const struct ring_origin *origin,
                        uint32_t rate_hz) {
    struct chunk_clock clock = {
        .place = {.epoch = 1}, .elapsed_ns = origin->begin_ns, .rate_hz = rate_hz};
    struct chunk chunk = {0};
    memcpy(clock.boot, origin->boot, sizeof clock.boot);
    int error = chunk_clock_make(&chunk, &clock);
    return error ? error : append(ring, &chunk);
}

static void second_done(struct second *second) {
    for (size_t input = 0; input < RING_INPUTS; input++) {
        free(second->coded[input]);
        second->coded[input] = NULL;
    }
    codec_work_free(second->work);
    second->work = NULL;
}

static int report(int error) {
    if (error)
        fprintf(stderr, "cranktrap-bench: the ring could not be made: %s\n", strerror(-error));
    return error ? -1 : 0;
}

static struct ring_origin usual_origin(void) {
    return (struct ring_origin){ring_second_ns(0), {1}, "{}"};
}

static int open_ring(const char *folder, const struct ring_plan *plan,
                     const struct ring_origin *origin, uint64_t bound, struct second *second,
                     struct disk_ring **ring) {
    const struct disk_ring_settings settings = {.bytes = bound,
                                                .segment_bytes = plan->segment_bytes};
    struct disk_ring_found found;
    int error = make_second(second, plan->rate_hz);
    if (!error)
        error = disk_ring_open(folder, &settings, &found, ring);
    if (!error)
        error = disk_ring_set_head(*ring, origin->head);
    if (!error)
        error = append_clock(*ring, origin, plan->rate_hz);
    return error;
}

int ring_make(const char *folder, const struct ring_plan *plan, uint64_t *bytes) {
    const struct ring_origin origin = usual_origin();
    return ring_make_at(folder, plan, &origin, bytes);
}

int ring_make_at(const char *folder, const struct ring_plan *plan, const struct ring_origin *origin,
                 uint64_t *bytes) {
    static struct second second;
    struct disk_ring *ring = NULL;
    int error = open_ring(folder, plan, origin, UINT64_C(1) << 34, &second, &ring);
    for (uint64_t i = 0; !error && i < plan->seconds; i++)
        error = append_second(ring, &second, i, origin->begin_ns);
    if (ring)
        *bytes = disk_ring_state(ring).bytes;
    disk_ring_close(ring);
    second_done(&second);
    return report(error);
}

int ring_go_on(const char *folder, const struct ring_plan *plan, uint64_t seconds, double *second_s,
               uint64_t *pruned) {
    static struct second second;
    const struct ring_origin origin = usual_origin();
    struct disk_ring_list list;
    struct disk_ring *ring = NULL;
    uint64_t bound = 0;
    struct stat facts;
    if (disk_ring_list_folder(folder, &list) < 0)
        return -1;
    for (size_t i = 0; i < list.count; i++)
        bound += stat(list.path[i], &facts) == 0 ? (uint64_t)facts.st_size : 0;
    disk_ring_list_done(&list);
    int error = open_ring(folder, plan, &origin, bound, &second, &ring);
    double begin = bench_cpu_s();
    for (uint64_t i = plan->seconds; !error && i < plan->seconds + seconds; i++)
        error = append_second(ring, &second, i, origin.begin_ns);
    *second_s = (bench_cpu_s() - begin) / (double)seconds;
    if (ring)
        *pruned = disk_ring_state(ring).segments_pruned;
    disk_ring_close(ring);
    second_done(&second);
    return report(error);
}
