// SPDX-License-Identifier: Apache-2.0
/*
 * bytes.h - little-endian numbers in byte strings, at any alignment. Only for the ring's own files.
 */
#ifndef CRANKTRAP_BYTES_H
#define CRANKTRAP_BYTES_H

#include <stdint.h>
#include <string.h>

static inline void bytes_put_u16(uint8_t *at, uint16_t value) {
    at[0] = (uint8_t)value;
    at[1] = (uint8_t)(value >> 8);
}

static inline void bytes_put_u32(uint8_t *at, uint32_t value) {
    for (int i = 0; i < 4; i++)
        at[i] = (uint8_t)(value >> (8 * i));
}

static inline void bytes_put_u64(uint8_t *at, uint64_t value) {
    for (int i = 0; i < 8; i++)
        at[i] = (uint8_t)(value >> (8 * i));
}

static inline void bytes_put_f64(uint8_t *at, double value) {
    uint64_t bits;
    memcpy(&bits, &value, sizeof bits);
    bytes_put_u64(at, bits);
}

static inline uint16_t bytes_u16(const uint8_t *at) {
    return (uint16_t)(at[0] | at[1] << 8);
}

static inline uint32_t bytes_u32(const uint8_t *at) {
    return (uint32_t)at[0] | (uint32_t)at[1] << 8 | (uint32_t)at[2] << 16 | (uint32_t)at[3] << 24;
}

static inline uint64_t bytes_u64(const uint8_t *at) {
    return (uint64_t)bytes_u32(at) | (uint64_t)bytes_u32(at + 4) << 32;
}

static inline double bytes_f64(const uint8_t *at) {
    uint64_t bits = bytes_u64(at);
    double value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

#endif
