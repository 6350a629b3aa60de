// SPDX-License-Identifier: Apache-2.0
/*
 * packet_check.c - the check sums that boards put behind their packets.
 */
#include "packet_check.h"

#include <stdbool.h>

struct method {
    const char *name;
    unsigned bits;
    bool crc;
    bool reflected;      /* the low bit of a byte goes first */
    uint32_t polynomial; /* as the catalogue writes it, highest bit first */
    uint32_t begins;
    uint32_t inverts; /* combined with the result by exclusive or */
};

static const struct method methods[PACKET_CHECKS] = {
    [PACKET_CHECK_NONE] = {.name = "none"},
    [PACKET_CHECK_SUM8] = {.name = "sum8", .bits = 8},
    [PACKET_CHECK_SUM16] = {.name = "sum16", .bits = 16},
    [PACKET_CHECK_XOR8] = {.name = "xor8", .bits = 8},
    [PACKET_CHECK_CRC8] = {"crc8", 8, true, false, 0x07, 0, 0},
    [PACKET_CHECK_CRC16_CCITT] = {"crc16-ccitt", 16, true, false, 0x1021, 0xFFFF, 0},
    [PACKET_CHECK_CRC16_XMODEM] = {"crc16-xmodem", 16, true, false, 0x1021, 0, 0},
    [PACKET_CHECK_CRC16_MODBUS] = {"crc16-modbus", 16, true, true, 0x8005, 0xFFFF, 0},
    [PACKET_CHECK_CRC32] = {"crc32", 32, true, true, 0x04C11DB7, 0xFFFFFFFF, 0xFFFFFFFF},
};

const char *packet_check_name(enum packet_check check) {
    return methods[check].name;
}

size_t packet_check_size(enum packet_check check) {
    return methods[check].bits / 8;
}

static uint32_t mirrored(uint32_t value, unsigned bits) {
    uint32_t result = 0;
    for (unsigned bit = 0; bit < bits; bit++)
        if (value >> bit & 1)
            result |= UINT32_C(1) << (bits - 1 - bit);
    return result;
}

/* What one byte leaves behind in an empty register. */
static uint32_t remainder_of(const struct method *method, uint32_t byte) {
    if (method->reflected) {
        uint32_t polynomial = mirrored(method->polynomial, method->bits);
        uint32_t value = byte;
        for (int bit = 0; bit < 8; bit++)
            value = value & 1 ? value >> 1 ^ polynomial : value >> 1;
        return value;
    }
    /* In the upper end of 32 bits, so that one rule does for every width. */
    uint32_t polynomial = method->polynomial << (32 - method->bits);
    uint32_t value = byte << 24;
    for (int bit = 0; bit < 8; bit++)
        value = value >> 31 ? value << 1 ^ polynomial : value << 1;
    return value;
}

void packet_check_fill(enum packet_check check, struct packet_check_table *table) {
    const struct method *method = &methods[check];
    for (uint32_t byte = 0; byte < 256; byte++)
        table->entry[byte] = method->crc ? remainder_of(method, byte) : 0;
}

static uint32_t crc(const struct method *method, const struct packet_check_table *table,
                    const uint8_t *bytes, size_t count) {
    if (method->reflected) { /* every reflected one here begins with a palindrome */
        uint32_t value = method->begins;
        for (size_t i = 0; i < count; i++)
            value = value >> 8 ^ table->entry[(value ^ bytes[i]) & 0xFF];
        return value ^ method->inverts;
    }
    uint32_t value = method->begins << (32 - method->bits);
    for (size_t i = 0; i < count; i++)
        value = value << 8 ^ table->entry[value >> 24 ^ bytes[i]];
    return (value >> (32 - method->bits)) ^ method->inverts;
}

uint32_t packet_check_sum(enum packet_check check, const struct packet_check_table *table,
                          const uint8_t *bytes, size_t count) {
    const struct method *method = &methods[check];
    if (method->crc)
        return crc(method, table, bytes, count);
    uint32_t value = 0;
    for (size_t i = 0; i < count; i++)
        value = check == PACKET_CHECK_XOR8 ? value ^ bytes[i] : value + bytes[i];
    return value & (UINT32_MAX >> (32 - (method->bits ? method->bits : 32)));
}
