// SPDX-License-Identifier: Apache-2.0
/*
 * playback_fuzz.c - any bytes as a container file: opened, played, narrowed, played again. What
 * comes out must keep the promises of record.h. The check sums are made good first, so that what
 * is wrong lies behind them.
 */
#include "playback.h"

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void require(bool truth) {
    if (!truth)
        abort();
}

static void play(const struct record *record) {
    struct record_run run;
    double last_s = -(double)INFINITY;
    int64_t sum = 0;
    int more;
    require(record->seek(record->context, record->from_s) == 0);
    while ((more = record->next(record->context, &run)) == 1) {
        require(run.scans > 0 && run.inputs > 0 && run.period_s > 0 && run.time_s >= last_s);
        for (size_t input = 0; input < run.inputs; input++)
            for (size_t i = 0; i < run.scans; i++)
                sum += run.counts[input][i];
        last_s = run.time_s;
    }
    const struct record_loss *losses;
    size_t count = record->losses(record->context, &losses);
    for (size_t i = 0; i < count; i++)
        require(losses[i].to_s >= losses[i].from_s && losses[i].reason);
    (void)sum;
}

/* Chunk after chunk as their headers tell (docs/format.md: type at 5, payload length at 8). */
static void seal(uint8_t *bytes, size_t size) {
    uint32_t sequence = 0;
    for (size_t at = 0; at + CHUNK_FRONT_MAX <= size; sequence++) {
        uint32_t payload = bytes[at + 8] | (uint32_t)bytes[at + 9] << 8 |
                           (uint32_t)bytes[at + 10] << 16 | (uint32_t)bytes[at + 11] << 24;
        size_t length = CHUNK_HEADER_SIZE + (size_t)payload;
        if (length < CHUNK_FRONT_MAX || length > size - at)
            return;
        struct chunk chunk = {.type = (enum chunk_type)bytes[at + 5],
                              .from_ns = sequence * INT64_C(10000000),
                              .to_ns = sequence * INT64_C(20000000),
                              .length = length,
                              .bytes = bytes + at};
        uint8_t front[CHUNK_FRONT_MAX];
        size_t front_size = chunk_seal(&chunk, sequence, 7, front);
        memcpy(bytes + at, front, front_size);
        at += length;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    uint8_t *bytes = malloc(size + 1);
    require(bytes != NULL);
    if (size)
        memcpy(bytes, data, size);
    seal(bytes, size);
    int file = memfd_create("container", 0);
    require(file >= 0 && write(file, bytes, size) == (ssize_t)size);
    free(bytes);
    char path[64], why[200];
    snprintf(path, sizeof path, "/proc/self/fd/%d", file);
    const char *paths[] = {path, path}; /* twice: everything overlaps */
    struct playback *playback = NULL;
    if (playback_open(paths, 1 + (size & 1), &playback, why, sizeof why) == 0) {
        play(playback_record(playback));
        int64_t zero = playback_elapsed_ns(playback);
        playback_narrow(playback, zero, zero + 50000000);
        play(playback_record(playback));
        playback_free(playback);
    }
    close(file);
    return 0;
}
