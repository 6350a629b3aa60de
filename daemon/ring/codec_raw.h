// SPDX-License-Identifier: Apache-2.0
/*
 * codec_raw.h - codec id 0: samples less their smallest, in just as many bits as that needs.
 */
#ifndef CRANKTRAP_CODEC_RAW_H
#define CRANKTRAP_CODEC_RAW_H

#include <stddef.h>
#include <stdint.h>

/* Bytes that samples from `least` to `most` take, the codec id included. */
size_t codec_raw_size(int32_t least, int32_t most, size_t count);

/* Codes into exactly that many bytes; returns them. */
size_t codec_raw_encode(const int32_t *samples, size_t count, int32_t least, int32_t most,
                        uint8_t *coded);

/* 0, or -EBADMSG. */
int codec_raw_decode(const uint8_t *coded, size_t length, int32_t *samples, size_t count);

#endif
