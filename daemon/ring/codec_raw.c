// SPDX-License-Identifier: Apache-2.0
/*
 * codec_raw.c - codec id 0: samples less their smallest, in just as many bits as that needs.
 *
 * With least and most the extremes of the block, every sample is least + d, 0 <= d <= most - least
 * < 2^32, and d fits in w = the bit length of most - least. Layout: id, w, least (4 bytes), then
 * the d's of w bits each, least significant bit first, the last byte filled with zeros. A constant
 * block has w = 0 and ends after the header.
 */
#include "codec_raw.h"

#include "bits.h"
#include "bytes.h"
#include "codec.h"

#include <errno.h>

enum { AT_WIDTH = 1, AT_LEAST = 2, RAW_FRONT = 6 };

size_t codec_raw_size(int32_t least, int32_t most, size_t count) {
    size_t width = bits_length((uint32_t)most - (uint32_t)least);
    return RAW_FRONT + (width * count + 7) / 8;
}

size_t codec_raw_encode(const int32_t *samples, size_t count, int32_t least, int32_t most,
                        uint8_t *coded) {
    unsigned width = bits_length((uint32_t)most - (uint32_t)least);
    coded[0] = CODEC_RAW;
    coded[AT_WIDTH] = (uint8_t)width;
    bytes_put_u32(coded + AT_LEAST, (uint32_t)least);
    struct bit_writer writer = {.at = coded + RAW_FRONT};
    for (size_t i = 0; i < count; i++)
        bits_put(&writer, (uint32_t)samples[i] - (uint32_t)least, width);
    return (size_t)(bits_flush(&writer) - coded);
}

int codec_raw_decode(const uint8_t *coded, size_t length, int32_t *samples, size_t count) {
    if (length < RAW_FRONT || coded[AT_WIDTH] > 32)
        return -EBADMSG;
    unsigned width = coded[AT_WIDTH];
    if (length != RAW_FRONT + (width * count + 7) / 8)
        return -EBADMSG;
    uint32_t least = bytes_u32(coded + AT_LEAST);
    struct bit_reader reader = {.at = coded + RAW_FRONT, .end = coded + length};
    for (size_t i = 0; i < count; i++)
        samples[i] = (int32_t)(least + bits_get(&reader, width));
    return bits_done(&reader) ? 0 : -EBADMSG;
}
