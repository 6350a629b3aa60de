// SPDX-License-Identifier: Apache-2.0
/*
 * counting.c - packets whose scans carry their own number.
 */
#include "counting.h"

#include <string.h>

static void put_low_first(uint8_t *bytes, uint32_t value, unsigned count) {
    for (unsigned i = 0; i < count; i++)
        bytes[i] = (uint8_t)(value >> (8 * i));
}

/* Two values of 12 bits in three bytes, highest bit first. */
static void put_pair(uint8_t *bytes, uint32_t first, uint32_t second) {
    bytes[0] = (uint8_t)(first >> 4);
    bytes[1] = (uint8_t)((first & 15) << 4 | second >> 8);
    bytes[2] = (uint8_t)second;
}

void counting_bulk_packet(uint32_t number, uint8_t packet[BULK_SIZE]) {
    uint32_t scan = number * BULK_SCANS;
    memset(packet, 0, BULK_SIZE);
    packet[0] = 0xfe;
    packet[1] = 0xed;
    put_low_first(packet + 2, scan, 4);
    for (unsigned i = 0; i < BULK_SCANS; i++, scan++) {
        uint8_t *bytes = packet + 6 + 6u * i;
        put_pair(bytes, scan & 4095, scan >> 12 & 4095);
        put_pair(bytes + 3, scan >> 24, 4095 - (scan & 4095));
    }
}

/* CRC-16/IBM-3740 ("CCITT", begins with ffff), bit by bit. */
static uint32_t crc16(const uint8_t *bytes, unsigned count) {
    uint32_t crc = 0xffff;
    for (unsigned i = 0; i < count; i++) {
        crc ^= (uint32_t)bytes[i] << 8;
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 0x8000 ? (crc << 1 ^ 0x1021) & 0xffff : crc << 1;
    }
    return crc;
}

static void put_eight_values(uint8_t *bytes, uint32_t scan) {
    uint32_t low = scan & 0x7fff;
    put_low_first(bytes, low, 2);
    put_low_first(bytes + 2, scan >> 15 & 0x7fff, 2);
    put_low_first(bytes + 4, scan >> 30, 2);
    put_low_first(bytes + 6, ~low, 2); /* -1 - low in two's complement */
    for (unsigned input = 4; input < 8; input++)
        put_low_first(bytes + 2u * input, low * input & 0x7fff, 2);
}

/* Two bytes of header, a counter of 16 bits, the scans, CRC. */
static void put_packet(uint8_t *packet, uint32_t counter, uint32_t scan, unsigned scans) {
    unsigned size = 4 + 16 * scans;
    put_low_first(packet + 2, counter, 2);
    for (unsigned i = 0; i < scans; i++)
        put_eight_values(packet + 4 + 16u * i, scan + i);
    put_low_first(packet + size, crc16(packet, size), 2);
}

void counting_serial_packet(uint32_t number, uint8_t packet[SERIAL_SIZE]) {
    packet[0] = 0xaa;
    packet[1] = 0x55;
    put_packet(packet, number, number * SERIAL_SCANS, SERIAL_SCANS);
}

void counting_iso_packet(uint32_t number, uint8_t packet[ISO_SIZE]) {
    packet[0] = 0xc3;
    packet[1] = 0x5a;
    put_packet(packet, number * ISO_SCANS, number * ISO_SCANS, ISO_SCANS);
}
