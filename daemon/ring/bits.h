// SPDX-License-Identifier: Apache-2.0
/*
 * bits.h - strings of bits, least significant bit first, 0 to 32 at a time. Only for the codec.
 *
 * The writer gathers bits in a 64-bit word and stores the whole bytes of it. The reader goes on
 * with zeros beyond the end, so that a loop need not look at every step; bits_done tells at the end
 * whether exactly the bytes that are there were read, the unused bits of the last one being zero.
 */
#ifndef CRANKTRAP_BITS_H
#define CRANKTRAP_BITS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

/* Bits needed for `value`: 0 for 0, else 1 + floor(log2 value). */
static inline unsigned bits_length(uint32_t value) {
    return value ? 32u - (unsigned)__builtin_clz(value) : 0;
}

struct bit_writer {
    uint8_t *at;
    uint64_t held;
    unsigned count; /* of bits held, at most 31 between calls */
};

/* `value` must fit in `width` bits. Needs room for 4 bytes at a time. */
static inline void bits_put(struct bit_writer *writer, uint32_t value, unsigned width) {
    writer->held |= (uint64_t)value << writer->count;
    writer->count += width;
    if (writer->count >= 32) {
        for (int i = 0; i < 4; i++)
            writer->at[i] = (uint8_t)(writer->held >> (8 * i));
        writer->at += 4;
        writer->held >>= 32;
        writer->count -= 32;
    }
}

/* Stores what is held; returns the end. */
static inline uint8_t *bits_flush(struct bit_writer *writer) {
    for (; writer->count; writer->count = writer->count > 8 ? writer->count - 8 : 0) {
        *writer->at++ = (uint8_t)writer->held;
        writer->held >>= 8;
    }
    return writer->at;
}

struct bit_reader {
    const uint8_t *at, *end;
    uint64_t held;
    unsigned count; /* of true bits held */
    bool beyond;    /* bits were asked for that are not there */
};

/* Holds at least 32 bits, or all there are. */
static inline void bits_fill(struct bit_reader *reader) {
    if (reader->end - reader->at >= 4) {
        uint32_t word = (uint32_t)reader->at[0] | (uint32_t)reader->at[1] << 8 |
                        (uint32_t)reader->at[2] << 16 | (uint32_t)reader->at[3] << 24;
        reader->held |= (uint64_t)word << reader->count;
        reader->at += 4;
        reader->count += 32;
        return;
    }
    while (reader->count < 32 && reader->at < reader->end) {
        reader->held |= (uint64_t)*reader->at++ << reader->count;
        reader->count += 8;
    }
}

static inline uint32_t bits_get(struct bit_reader *reader, unsigned width) {
    if (reader->count < width)
        bits_fill(reader);
    if (reader->count < width) {
        reader->beyond = true;
        reader->count = 0;
        reader->held = 0;
        return 0;
    }
    uint32_t value = (uint32_t)(reader->held & (((uint64_t)1 << width) - 1));
    reader->held >>= width;
    reader->count -= width;
    return value;
}

/* The first byte not begun: what comes in whole bytes stands there. NULL where the unused bits of
 * the byte before are not zero. */
static inline const uint8_t *bits_align(const struct bit_reader *reader) {
    uint64_t unused = reader->held & (((uint64_t)1 << reader->count % 8) - 1);
    return unused || reader->beyond ? NULL : reader->at - reader->count / 8;
}

static inline bool bits_done(const struct bit_reader *reader) {
    return !reader->beyond && reader->at == reader->end && reader->count < 8 && !reader->held;
}

#endif
