// SPDX-License-Identifier: Apache-2.0
/*
 * frame.c - COBS decoding and the CRC-16 of docs/wire.md.
 */
#include "frame.h"

#include <errno.h>

ssize_t frame_decode(const uint8_t *frame, size_t count, uint8_t *decoded) {
    size_t in = 0;
    size_t out = 0;
    while (in < count) {
        uint8_t code = frame[in++];
        if (code == 0 || (size_t)code - 1 > count - in)
            return -EBADMSG;
        for (uint8_t i = 1; i < code; i++) {
            if (frame[in] == 0)
                return -EBADMSG;
            decoded[out++] = frame[in++];
        }
        /* A full group of 254 stands for no zero; nor does the last group, whatever its length. */
        if (code != 0xFF && in < count)
            decoded[out++] = 0;
    }
    return (ssize_t)out;
}

uint16_t frame_check(const uint8_t *bytes, size_t count) {
    /* Row n: n as the highest four bits, divided by the polynomial. */
    static const uint16_t nibble[16] = {0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50A5,
                                        0x60C6, 0x70E7, 0x8108, 0x9129, 0xA14A, 0xB16B,
                                        0xC18C, 0xD1AD, 0xE1CE, 0xF1EF};
    unsigned crc = 0xFFFF;
    for (size_t i = 0; i < count; i++) {
        crc = (crc << 4 ^ nibble[(crc >> 12 ^ bytes[i] >> 4) & 0xF]) & 0xFFFF;
        crc = (crc << 4 ^ nibble[(crc >> 12 ^ bytes[i]) & 0xF]) & 0xFFFF;
    }
    return (uint16_t)crc;
}
