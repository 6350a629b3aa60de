// SPDX-License-Identifier: Apache-2.0
/*
 * byte_pattern_fuzz.c - any bytes of an unknown board, looked at for what packets they may be.
 *
 * Held: all that is told of a packet lies within it.
 */
#include "byte_pattern.h"

#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool holds) {
    if (!holds)
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct byte_pattern pattern = {0};
    if (size > 4096)
        return 0; /* it compares all bytes at all distances */
    byte_pattern_find(data, size, &pattern);
    must(pattern.distance <= size / 8 && pattern.places <= BYTE_PATTERN_PLACES);
    if (pattern.distance == 0)
        return 0;
    for (size_t i = 0; i < pattern.places; i++)
        must(pattern.place[i] < pattern.distance);
    must(pattern.first < size);
    must(!pattern.counts || pattern.counter_at < pattern.distance);
    return 0;
}
