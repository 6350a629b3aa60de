// SPDX-License-Identifier: Apache-2.0
/*
 * codec.c - one channel of one block: whichever codec is smaller, and back.
 */
#include "codec.h"

#include "codec_raw.h"

#include <errno.h>
#include <stdlib.h>

struct codec_work {
    uint32_t unused;
};

size_t codec_bound(size_t samples) {
    return codec_raw_size(INT32_MIN, INT32_MAX, samples) + 8;
}

int codec_work_new(struct codec_work **work) {
    struct codec_work *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    *work = made;
    return 0;
}

void codec_work_free(struct codec_work *work) {
    free(work);
}

size_t codec_encode(struct codec_work *work, const int32_t *samples, size_t count,
                    enum codec_effort effort, uint8_t *coded) {
    (void)work;
    (void)effort;
    int32_t least = samples[0];
    int32_t most = samples[0];
    for (size_t i = 1; i < count; i++) {
        least = samples[i] < least ? samples[i] : least;
        most = samples[i] > most ? samples[i] : most;
    }
    return codec_raw_encode(samples, count, least, most, coded);
}

int codec_decode(struct codec_work *work, const uint8_t *coded, size_t length, int32_t *samples,
                 size_t count) {
    (void)work;
    if (!length || !count || count > CODEC_SAMPLES_MAX)
        return -EBADMSG;
    switch (coded[0]) {
    case CODEC_RAW:
        return codec_raw_decode(coded, length, samples, count);
    default:
        return -ENOTSUP;
    }
}
