// SPDX-License-Identifier: Apache-2.0
/*
 * codec_predict.h - codec id 1: a predictor, then the entropy stage. Only for codec.c.
 */
#ifndef CRANKTRAP_CODEC_PREDICT_H
#define CRANKTRAP_CODEC_PREDICT_H

#include "codec.h"
#include "predictor.h"
#include "rans.h"

#define PREDICT_GROUPS 8

/* Scratch memory of one thread; pages never used cost nothing. */
struct codec_work {
    uint8_t symbols[CODEC_SAMPLES_MAX];
    uint16_t words[RANS_WORDS_MAX(CODEC_SAMPLES_MAX)];
    uint8_t extra[4 * CODEC_SAMPLES_MAX + 8];
    uint32_t counts[PREDICT_GROUPS][RANS_SYMBOLS];
    struct rans_model model;
    struct rans_slots slots;
};

/* Codes the block into fewer than `limit` bytes and returns how many, or 0 where it takes more. */
size_t codec_predict_encode(struct codec_work *work, const struct predictor_block *block,
                            enum codec_effort effort, size_t limit, uint8_t *coded);

/* 0 or -EBADMSG; `samples` is then undefined. */
int codec_predict_decode(struct codec_work *work, const uint8_t *coded, size_t length,
                         int32_t *samples, size_t count);

#endif
