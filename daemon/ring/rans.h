// SPDX-License-Identifier: Apache-2.0
/*
 * rans.h - the entropy stage: symbols to as many bits as their frequencies deserve, and back. Only
 * for the codec. The maths is explained in rans.c, the bytes in docs/format.md.
 */
#ifndef CRANKTRAP_RANS_H
#define CRANKTRAP_RANS_H

#include "bits.h"

#include <stddef.h>
#include <stdint.h>

#define RANS_SYMBOLS  256
#define RANS_BITS_MIN 8 /* frequencies of a table sum to 2^bits */
#define RANS_BITS_MAX 12

/* Frequencies of the symbols in up to two contexts: a symbol stands in context 1 if the one before
 * it was `split` or greater. split 0: there is one context only. */
struct rans_model {
    unsigned bits;
    unsigned split;
    uint16_t frequency[2][RANS_SYMBOLS];
};

/* Estimated bits of so many symbols, `scale` times each, and of their frequencies once. */
double rans_cost(const uint32_t *counts, size_t symbols, unsigned bits, double scale);

/* Frequencies from counts (at least one not 0): every symbol that occurs gets one at least. */
void rans_normalize(const uint32_t *counts, unsigned bits, uint16_t *frequency);

/* Frequencies that sum to 2^bits, as rans_read_frequencies() reads them. */
void rans_write_frequencies(struct bit_writer *writer, const uint16_t *frequency, unsigned bits);

/* 0, or -EBADMSG where they do not sum to 2^bits within `symbols` symbols. */
int rans_read_frequencies(struct bit_reader *reader, unsigned bits, size_t symbols,
                          uint16_t *frequency);

/* Most words rans_encode makes of `count` symbols. */
#define RANS_WORDS_MAX(count) ((count) + 4)

/*
 * Codes into 16-bit words that end right before `end`; returns how many. Room for RANS_WORDS_MAX
 * is needed before `end`.
 */
size_t rans_encode(const struct rans_model *model, const uint8_t *symbols, size_t count,
                   uint16_t *end);

/* Scratch for decoding: a table of each context. */
struct rans_slots {
    uint32_t slot[2][1u << RANS_BITS_MAX];
};

/*
 * `count` symbols from `words` little-endian words at `bytes`: 0, or -EBADMSG where they are not
 * exactly that; `symbols` is then undefined.
 */
int rans_decode(const struct rans_model *model, struct rans_slots *slots, const uint8_t *bytes,
                size_t words, uint8_t *symbols, size_t count);

#endif
