// SPDX-License-Identifier: Apache-2.0
/*
 * packet_layout.c - takes header, counter, check and values out of a packet.
 */
#include "packet_layout.h"

#include <string.h>

/* With the seven bits that may stand before it in its first byte it fits 64. */
#define SLOT_BITS_MAX 56

static bool columns_sound(const struct packet_layout *layout) {
    if (layout->columns < 1 || layout->columns > PACKET_COLUMNS_MAX || layout->inputs < 1 ||
        layout->inputs > BOARD_INPUTS_MAX)
        return false;
    uint64_t seen = 0;
    for (size_t i = 0; i < layout->columns; i++) {
        int input = layout->input[i];
        if (input == PACKET_COLUMN_BLANK)
            continue;
        if (input < 0 || (size_t)input >= layout->inputs || (seen >> input & 1))
            return false;
        seen |= UINT64_C(1) << input;
    }
    return seen == UINT64_MAX >> (64 - layout->inputs);
}

static bool values_sound(const struct packet_layout *layout) {
    unsigned most = layout->is_signed ? 32 : 31;
    return layout->value_bits >= 2 && layout->value_bits <= most &&
           layout->value_slot_bits <= SLOT_BITS_MAX && layout->value_shift < SLOT_BITS_MAX &&
           layout->value_bits + layout->value_shift <= layout->value_slot_bits &&
           layout->scan_bits >= layout->columns * layout->value_slot_bits &&
           layout->scan_bits <= 8 * PACKET_SIZE_LIMIT;
}

bool packet_layout_sound(const struct packet_layout *layout) {
    if (layout->size < 1 || layout->size > PACKET_SIZE_LIMIT || layout->check >= PACKET_CHECKS ||
        layout->header_size > PACKET_HEADER_MAX || !columns_sound(layout) || !values_sound(layout))
        return false;
    size_t check_size = packet_check_size(layout->check);
    if (check_size > layout->size)
        return false;
    size_t body = layout->size - check_size;
    if (layout->scans < 1 || layout->scans > 8 * PACKET_SIZE_LIMIT || layout->values_at > body)
        return false;
    size_t counter_end =
        layout->counter_bits ? layout->counter_at + layout->counter_bits / 8 : layout->header_size;
    return (layout->counter_bits % 8 == 0 && layout->counter_bits <= 32) &&
           layout->counter_at <= PACKET_SIZE_LIMIT && counter_end <= body &&
           layout->header_size <= body && layout->check_from <= body &&
           layout->scan_bits * layout->scans <= 8 * (body - layout->values_at);
}

bool packet_layout_finds_itself(const struct packet_layout *layout) {
    return layout->header_size > 0 || layout->check != PACKET_CHECK_NONE;
}

int32_t packet_layout_lowest(const struct packet_layout *layout) {
    return layout->is_signed ? (int32_t) - (INT64_C(1) << (layout->value_bits - 1)) : 0;
}

int32_t packet_layout_highest(const struct packet_layout *layout) {
    unsigned bits = layout->is_signed ? layout->value_bits - 1 : layout->value_bits;
    return (int32_t)((INT64_C(1) << bits) - 1);
}

bool packet_layout_begins(const struct packet_layout *layout, const uint8_t *packet) {
    return memcmp(packet, layout->header, layout->header_size) == 0;
}

/* A whole number of `size` bytes. */
static uint64_t take_bytes(const uint8_t *bytes, size_t size, bool big) {
    uint64_t value = 0;
    for (size_t i = 0; i < size; i++)
        value = value << 8 | bytes[big ? i : size - 1 - i];
    return value;
}

/*
 * A number of `count` bits that begins at any bit. Low bit first: bit 0 of a byte is its lowest;
 * high bit first: its highest. Never looks beyond the byte that holds its last bit.
 */
static uint64_t take_bits(const uint8_t *bytes, size_t begin, unsigned count, bool big) {
    const uint8_t *first = bytes + begin / 8;
    unsigned skip = (unsigned)(begin % 8);
    size_t size = (skip + count + 7) / 8;
    uint64_t value = take_bytes(first, size, big);
    value >>= big ? 8 * size - skip - count : skip;
    return count < 64 ? value & ((UINT64_C(1) << count) - 1) : value;
}

uint32_t packet_layout_counter(const struct packet_layout *layout, const uint8_t *packet) {
    return (uint32_t)take_bytes(packet + layout->counter_at, layout->counter_bits / 8,
                                layout->counter_big);
}

bool packet_layout_checks(const struct packet_layout *layout,
                          const struct packet_check_table *table, const uint8_t *packet) {
    if (layout->check == PACKET_CHECK_NONE)
        return true;
    size_t size = packet_check_size(layout->check);
    size_t at = layout->size - size;
    return packet_check_sum(layout->check, table, packet + layout->check_from,
                            at - layout->check_from) ==
           take_bytes(packet + at, size, layout->check_big);
}

static int32_t count_of(const struct packet_layout *layout, uint64_t slot) {
    uint64_t value = slot >> layout->value_shift & ((UINT64_C(1) << layout->value_bits) - 1);
    int64_t count = (int64_t)value;
    if (layout->is_signed && value >> (layout->value_bits - 1))
        count -= INT64_C(1) << layout->value_bits;
    return (int32_t)count;
}

/* Values of two bytes, the most usual ones: as fast boards send them, three times as fast. */
static void counts_of_pairs(const struct packet_layout *layout, const uint8_t *values,
                            int32_t *counts) {
    const size_t low = layout->big ? 1 : 0;
    const uint32_t mask = (UINT32_C(1) << layout->value_bits) - 1;
    const uint32_t sign = layout->is_signed ? UINT32_C(1) << (layout->value_bits - 1) : 0;
    const unsigned shift = layout->value_shift;
    const size_t columns = layout->columns;
    for (size_t scan = 0; scan < layout->scans; scan++, counts += layout->inputs) {
        const uint8_t *at = values + scan * (layout->scan_bits / 8);
        for (size_t i = 0; i < columns; i++, at += 2) {
            if (layout->input[i] == PACKET_COLUMN_BLANK)
                continue;
            uint32_t value = (uint32_t)(at[low] | at[1 - low] << 8) >> shift & mask;
            counts[layout->input[i]] = (int32_t)(value ^ sign) - (int32_t)sign;
        }
    }
}

void packet_layout_counts(const struct packet_layout *layout, const uint8_t *packet,
                          int32_t *counts) {
    const uint8_t *values = packet + layout->values_at;
    unsigned slot_bits = layout->value_slot_bits;
    bool whole_bytes = slot_bits % 8 == 0 && layout->scan_bits % 8 == 0;
    if (whole_bytes && slot_bits == 16) {
        counts_of_pairs(layout, values, counts);
        return;
    }
    for (size_t scan = 0; scan < layout->scans; scan++, counts += layout->inputs) {
        size_t begin = scan * layout->scan_bits;
        for (size_t i = 0; i < layout->columns; i++, begin += slot_bits) {
            if (layout->input[i] == PACKET_COLUMN_BLANK)
                continue;
            uint64_t slot = whole_bytes ? take_bytes(values + begin / 8, slot_bits / 8, layout->big)
                                        : take_bits(values, begin, slot_bits, layout->big);
            counts[layout->input[i]] = count_of(layout, slot);
        }
    }
}
