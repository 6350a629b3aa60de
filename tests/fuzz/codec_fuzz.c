// SPDX-License-Identifier: Apache-2.0
/*
 * codec_fuzz.c - the codec on any bytes: decoded as they are; and taken as samples, coded and
 * decoded back. The first two bytes say how many samples are asked for.
 */
#include "codec.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static struct codec_work *work;
static int32_t decoded[CODEC_SAMPLES_MAX];

static void check_round_trip(const uint8_t *data, size_t size) {
    size_t count = size / 4 < 4096 ? size / 4 : 4096;
    int32_t *samples = malloc(count * sizeof *samples);
    uint8_t *coded = malloc(codec_bound(count));
    if (!samples || !coded)
        abort();
    memcpy(samples, data, count * sizeof *samples);
    for (int effort = CODEC_FAST; effort <= CODEC_FULL; effort++) {
        size_t length = codec_encode(work, samples, count, (enum codec_effort)effort, coded);
        if (length > codec_bound(count) || codec_decode(work, coded, length, decoded, count) != 0 ||
            memcmp(decoded, samples, count * sizeof *samples) != 0)
            abort();
    }
    free(coded);
    free(samples);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    if (!work && codec_work_new(&work) != 0)
        abort();
    if (size < 2)
        return 0;
    size_t count = 1 + (size_t)(data[0] | data[1] << 8);
    (void)codec_decode(work, data + 2, size - 2, decoded, count);
    if (size >= 6)
        check_round_trip(data + 2, size - 2);
    return 0;
}
