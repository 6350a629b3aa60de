// SPDX-License-Identifier: Apache-2.0
/*
 * catalogue_fuzz.c - any bytes as a ring's catalogue, beside two segments. The check sums of its
 * records are put right first, so that the fuzzer gets at what stands behind them.
 *
 * Held: only a record of the segment's own number and size counts.
 */
#include "bytes.h"
#include "catalogue.h"
#include "folder.h"

#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <zlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

enum { RECORD = 68, AT_CRC = 64, SEGMENTS = 2 };

static void must(bool holds) {
    if (!holds)
        abort();
}

static bool has_record(const uint8_t *bytes, size_t size, const struct segment *segment) {
    for (size_t at = 0; at + RECORD <= size; at += RECORD)
        if (bytes_u64(bytes + at) == segment->number && bytes_u64(bytes + at + 8) == segment->bytes)
            return true;
    return false;
}

static void read_beside(int folder, const uint8_t *bytes, size_t size) {
    struct segment segments[SEGMENTS] = {segment_new(1), segment_new(7)};
    segments[0].bytes = 4096;
    segments[1].bytes = 65536;
    must(catalogue_read(folder, segments, SEGMENTS) == size / RECORD);
    for (size_t i = 0; i < SEGMENTS; i++)
        must(segments[i].catalogued == has_record(bytes, size, &segments[i]));
    if (segments[0].catalogued && segments[1].catalogued) {
        must(catalogue_write(folder, segments, SEGMENTS) == 0);
        must(catalogue_read(folder, segments, SEGMENTS) == SEGMENTS);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    uint8_t *bytes = malloc(size + 1);
    if (!bytes)
        return 0;
    memcpy(bytes, data, size);
    for (size_t at = 0; at + RECORD <= size; at += RECORD)
        bytes_put_u32(bytes + at + AT_CRC, (uint32_t)crc32(0, bytes + at, AT_CRC));
    fuzz_file("catalogue", bytes, size);
    int folder = open(fuzz_folder(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    must(folder >= 0);
    read_beside(folder, bytes, size);
    close(folder);
    free(bytes);
    return 0;
}
