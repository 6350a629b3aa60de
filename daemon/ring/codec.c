// SPDX-License-Identifier: Apache-2.0
/*
 * codec.c - one channel of one block: whichever codec is smaller, and back.
 */
#include "codec.h"

#include "codec_predict.h"
#include "codec_raw.h"

#include <assert.h>
#include <errno.h>
#include <stdlib.h>

size_t codec_bound(size_t samples) {
    return codec_raw_size(INT32_MIN, INT32_MAX, samples);
}

int codec_work_new(struct codec_work **work) {
    struct codec_work *made = malloc(sizeof *made);
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
    assert(count >= 1 && count <= CODEC_SAMPLES_MAX);
    struct predictor_block block = predictor_look(samples, count);
    size_t raw = codec_raw_size(block.least, block.most, count);
    if (block.least != block.most) {
        size_t length = codec_predict_encode(work, &block, effort, raw, coded);
        if (length)
            return length;
    }
    return codec_raw_encode(samples, count, block.least, block.most, coded);
}

int codec_decode(struct codec_work *work, const uint8_t *coded, size_t length, int32_t *samples,
                 size_t count) {
    if (!length || !count || count > CODEC_SAMPLES_MAX)
        return -EBADMSG;
    switch (coded[0]) {
    case CODEC_RAW:
        return codec_raw_decode(coded, length, samples, count);
    case CODEC_PREDICT:
        return codec_predict_decode(work, coded, length, samples, count);
    default:
        return -ENOTSUP;
    }
}
