// SPDX-License-Identifier: Apache-2.0
/*
 * codec.h - codec id 1: lossless, one channel of one block at a time; and id 0: raw.
 *
 * An integer predictor (constant, differences of order 1..3, two levels, or linear of order 1..8:
 * the cheapest for the block) leaves residuals; an entropy stage codes them. What does not get
 * smaller is stored raw (id 0), in just as many bits as the samples need. docs/format.md has the
 * bit-exact description. Pure; any thread.
 */
#ifndef CRANKTRAP_CODEC_H
#define CRANKTRAP_CODEC_H

#include <stddef.h>
#include <stdint.h>

#define CODEC_SAMPLES_MAX 65536 /* in one call */

enum codec_id { CODEC_RAW = 0, CODEC_PREDICT = 1 };

/* FAST tries one predictor; FULL tries all. Both decode alike. */
enum codec_effort { CODEC_FAST, CODEC_FULL };

/* Upper bound of codec_encode's output for `samples` samples. */
size_t codec_bound(size_t samples);

struct codec_work; /* scratch memory: one per thread, so that coding allocates nothing */
int codec_work_new(struct codec_work **work);
void codec_work_free(struct codec_work *work);

/*
 * Codes `count` samples (1..CODEC_SAMPLES_MAX, full 32-bit range) into `coded` of at least
 * codec_bound(count) bytes. The first byte is the codec id. Returns the length.
 */
size_t codec_encode(struct codec_work *work, const int32_t *samples, size_t count,
                    enum codec_effort effort, uint8_t *coded);

/*
 * Decodes exactly `count` samples from exactly `length` bytes of anything. 0; -EBADMSG where the
 * bytes cannot be that (never reads or writes outside; `samples` is then undefined); -ENOTSUP for
 * an unknown codec id.
 */
int codec_decode(struct codec_work *work, const uint8_t *coded, size_t length, int32_t *samples,
                 size_t count);

#endif
