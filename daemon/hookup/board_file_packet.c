// SPDX-License-Identifier: Apache-2.0
/*
 * board_file_packet.c - the section [packet] of a board file.
 */
#include "board_file_part.h"

#include <stdlib.h>
#include <string.h>

#define BYTE_BITS 8

static const char *const keys[] = {
    "header",    "counter-at", "counter-bits", "counter-order", "counts", "values-at", "scans",
    "scan-size", "bits",       "slot",         "shift",         "sign",   "order",     "packing",
    "columns",   "check",      "check-from",   "check-order",   "size",   NULL};

/* The section being read, so that each part below has few arguments. */
struct part {
    struct reading *reading;
    const struct document_section *section;
    struct packet_layout *packet;
    bool sound; /* no value of it was wrong so far: sums over them mean something */
};

/* A whole number, or `missing` where it is not given or wrong. */
static uint64_t whole(struct part *part, const char *key, double lowest, double highest,
                      uint64_t missing) {
    uint64_t value = missing;
    size_t problems = part->reading->problems->count;
    (void)reading_whole(part->reading, part->section, key, lowest, highest, &value);
    part->sound = part->sound && part->reading->problems->count == problems;
    return value;
}

/* Index of one of two words, or `missing`. */
static bool second_word(struct part *part, const char *key, const char *first, const char *second,
                        bool missing) {
    const char *const words[] = {first, second};
    const struct document_entry *entry = reading_entry(part->reading, part->section, key);
    int index = entry ? reading_word(part->reading, part->section, entry, words, 2) : missing;
    part->sound = part->sound && index >= 0;
    return index == 1;
}

static void read_header(struct part *part) {
    struct packet_layout *packet = part->packet;
    const struct document_entry *entry = reading_entry(part->reading, part->section, "header");
    if (!entry)
        return;
    int count = board_file_hex(part->reading, part->section, entry, entry->value, packet->header,
                               sizeof packet->header);
    part->sound = part->sound && count >= 0;
    packet->header_size = count > 0 ? (size_t)count : 0;
}

static void read_counter(struct part *part) {
    struct packet_layout *packet = part->packet;
    uint64_t none = UINT64_MAX;
    uint64_t at = whole(part, "counter-at", 0, PACKET_SIZE_LIMIT, none);
    uint64_t bits = whole(part, "counter-bits", 8, 32, at == none ? 0 : 8);
    packet->counter_big = second_word(part, "counter-order", "little", "big", packet->big);
    packet->counts = second_word(part, "counts", "packets", "scans", false) ? PACKET_COUNTS_SCANS
                                                                            : PACKET_COUNTS_PACKETS;
    const struct document_entry *entry = reading_entry(part->reading, part->section, "counter-at");
    if (!entry && bits) {
        reading_problem(part->reading, part->section, NULL,
                        "counter-at is missing: at which byte of the packet does the counter "
                        "begin (the first is 0)?");
        part->sound = false;
        return;
    }
    if (bits % BYTE_BITS) {
        reading_problem(part->reading, part->section,
                        reading_entry(part->reading, part->section, "counter-bits"),
                        "allowed: 8, 16, 24, 32");
        part->sound = false;
        return;
    }
    packet->counter_bits = at == none ? 0 : (unsigned)bits;
    packet->counter_at = at == none ? 0 : at;
    if (entry && at < packet->header_size) {
        reading_problem(part->reading, part->section, entry, "the header's %zu bytes stand there",
                        packet->header_size);
        part->sound = false;
    }
}

static void read_values(struct part *part) {
    struct packet_layout *packet = part->packet;
    const struct document_entry *entry = reading_required(
        part->reading, part->section, "bits", "how many bits has one value (such as 12 or 16)?");
    packet->value_bits = (unsigned)whole(part, "bits", 2, 32, 16);
    part->sound = part->sound && entry;
    packet->is_signed = second_word(part, "sign", "unsigned", "signed", false);
    packet->value_shift = (unsigned)whole(part, "shift", 0, 31, 0);
    bool packed = second_word(part, "packing", "bytes", "bits", false);
    unsigned bits = packet->value_bits + packet->value_shift;
    unsigned slot_bytes = (bits + BYTE_BITS - 1) / BYTE_BITS;
    packet->value_slot_bits = packed ? bits : slot_bytes * BYTE_BITS;
    if (!packet->is_signed && packet->value_bits == 32) {
        reading_problem(part->reading, part->section, entry, "32 bits must be signed");
        part->sound = false;
    }
    const struct document_entry *slot = reading_entry(part->reading, part->section, "slot");
    if (slot && packed) {
        reading_problem(part->reading, part->section, slot,
                        "values packed bit by bit have no slot of whole bytes");
        part->sound = false;
    } else if (slot) {
        packet->value_slot_bits =
            (unsigned)whole(part, "slot", slot_bytes, 7, slot_bytes) * BYTE_BITS;
    }
}

/* "0, 1, -, 2": one word. */
static bool read_column(struct part *part, const struct document_entry *entry, const char *word) {
    struct packet_layout *packet = part->packet;
    char *end;
    long input = strtol(word, &end, 10);
    bool blank = strcmp(word, "-") == 0;
    if (!blank && (end == word || *end || input < 0 || input >= BOARD_INPUTS_MAX)) {
        reading_problem(part->reading, part->section, entry,
                        "'%.20s' is neither an input (0 to %d) nor - for a value of no use", word,
                        BOARD_INPUTS_MAX - 1);
        return false;
    }
    if (packet->columns == PACKET_COLUMNS_MAX) {
        reading_problem(part->reading, part->section, entry, "more than %d", PACKET_COLUMNS_MAX);
        return false;
    }
    packet->input[packet->columns++] = (int16_t)(blank ? PACKET_COLUMN_BLANK : input);
    packet->inputs += !blank;
    return true;
}

static bool inputs_are_whole(const struct packet_layout *packet) {
    for (size_t input = 0; input < packet->inputs; input++) {
        size_t times = 0;
        for (size_t i = 0; i < packet->columns; i++)
            times += packet->input[i] == (int)input;
        if (times != 1)
            return false;
    }
    return packet->inputs > 0 && packet->inputs <= BOARD_INPUTS_MAX;
}

static void read_columns(struct part *part) {
    const struct document_entry *entry = reading_required(
        part->reading, part->section, "columns",
        "which input is each value of a scan, in the board's order (such as 0, 1, 2, 3)?");
    char *list =
        entry ? arena_text(part->reading->arena, entry->value, strlen(entry->value)) : NULL;
    part->sound = part->sound && list;
    for (char *rest = list, *word; list && (word = strsep(&rest, " ,\t"));)
        if (*word && !read_column(part, entry, word)) {
            part->sound = false;
            return;
        }
    if (list && !inputs_are_whole(part->packet)) {
        reading_problem(part->reading, part->section, entry,
                        "each input from 0 up must stand there once");
        part->sound = false;
    }
}

static void read_check(struct part *part) {
    struct packet_layout *packet = part->packet;
    const char *words[PACKET_CHECKS];
    for (size_t i = 0; i < PACKET_CHECKS; i++)
        words[i] = packet_check_name((enum packet_check)i);
    const struct document_entry *entry = reading_entry(part->reading, part->section, "check");
    int index = entry ? reading_word(part->reading, part->section, entry, words, PACKET_CHECKS) : 0;
    part->sound = part->sound && index >= 0;
    packet->check = index > 0 ? (enum packet_check)index : PACKET_CHECK_NONE;
    packet->check_from = whole(part, "check-from", 0, PACKET_SIZE_LIMIT, 0);
    packet->check_big = second_word(part, "check-order", "little", "big", packet->big);
}

/* Whatever was not given follows from the rest; what was given must leave room for the rest. */
static void read_places(struct part *part) {
    struct packet_layout *packet = part->packet;
    size_t counter_end =
        packet->counter_bits ? packet->counter_at + packet->counter_bits / BYTE_BITS : 0;
    size_t front = counter_end > packet->header_size ? counter_end : packet->header_size;
    size_t scan_bits = packet->columns * packet->value_slot_bits;
    packet->scans = whole(part, "scans", 1, PACKET_SIZE_LIMIT, 1);
    if (!part->sound) { /* no sum is right; but each value by itself is still looked at */
        (void)whole(part, "values-at", 0, PACKET_SIZE_LIMIT, 0);
        (void)whole(part, "scan-size", 1, PACKET_SIZE_LIMIT, 1);
        (void)whole(part, "size", 1, PACKET_SIZE_LIMIT, 1);
        return;
    }
    packet->values_at =
        whole(part, "values-at", (double)packet->header_size, PACKET_SIZE_LIMIT, front);
    size_t least = (scan_bits + BYTE_BITS - 1) / BYTE_BITS;
    packet->scan_bits =
        reading_entry(part->reading, part->section, "scan-size")
            ? whole(part, "scan-size", (double)least, PACKET_SIZE_LIMIT, least) * BYTE_BITS
            : scan_bits;
    size_t needed =
        packet->values_at + (packet->scans * packet->scan_bits + BYTE_BITS - 1) / BYTE_BITS;
    needed = (needed > counter_end ? needed : counter_end) + packet_check_size(packet->check);
    if (needed > PACKET_SIZE_LIMIT) {
        reading_problem(part->reading, part->section, NULL,
                        "the packet is %zu bytes long: at most %d can be", needed,
                        PACKET_SIZE_LIMIT);
        return;
    }
    packet->size = whole(part, "size", (double)needed, PACKET_SIZE_LIMIT, needed);
}

void board_file_packet(struct reading *reading, struct board_file *file) {
    struct part part = {reading, reading_only(reading, "packet"), &file->packet, true};
    if (!part.section)
        return;
    file->packet.big = second_word(&part, "order", "little", "big", false);
    read_header(&part);
    read_counter(&part);
    read_values(&part);
    read_columns(&part);
    read_check(&part);
    read_places(&part);
    reading_rest(reading, part.section, keys, NULL);
    if (part.sound && file->packet.size && !packet_layout_sound(&file->packet))
        reading_problem(reading, part.section, NULL,
                        "counter, values and check overlap or leave the packet: see counter-at, "
                        "values-at, check-from and size");
    bool told = !part.sound && (reading_entry(reading, part.section, "header") ||
                                reading_entry(reading, part.section, "check"));
    if (!told && !packet_layout_finds_itself(&file->packet) && !file->start.count &&
        !file->ask.count)
        reading_problem(reading, part.section, NULL,
                        "nothing shows where a packet begins: give header, or check, or start "
                        "requests in [board] after which the board begins with a whole packet");
}
