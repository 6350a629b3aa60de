// SPDX-License-Identifier: Apache-2.0
/*
 * rans.c - the entropy stage: an arithmetic coder on integers (range asymmetric numeral system).
 *
 * A symbol s of frequency f out of M = 2^bits is worth log2(M / f) bits, mostly not a whole number;
 * on a quiet channel far below one. The coder keeps them all in one number x, the state. Let c be
 * the sum of the frequencies of the symbols before s. Of every M consecutive numbers, f belong to
 * s: those with c <= (x mod M) < c + f. Coding s takes x to the x-th of the numbers that belong to
 * s,
 *
 *   code:    x' = (x div f) M + c + (x mod f)
 *
 * which multiplies x by about M / f, that is, adds the bits the symbol is worth. From x' alone the
 * symbol is seen (whose range is x' mod M in?), and the step undone:
 *
 *   decode:  s from x' mod M;  x = f (x' div M) + (x' mod M) - c
 *
 * so what is coded last is decoded first: the encoder goes through the block from its end. The
 * state is kept in [2^15, 2^31): before a step that would leave it, its low 16 bits are put out as
 * a word; the decoder takes a word in whenever x falls below 2^15. Both happen at the same places,
 * because x >= f 2^(31 - bits) is exactly when x' would reach 2^31.
 *
 * In blocks of more than 2048 symbols two states take turns, symbol by symbol, sharing one string
 * of words: the processor works on one while the other waits for its multiplication. In short
 * blocks the four bytes of a second state would show. The encoder begins with each state at 2^15,
 * so after the last symbol the decoder must find them there again, and no word left: most damage
 * shows.
 */
#include "rans.h"

#include "bytes.h"

#include <assert.h>
#include <errno.h>
#include <math.h>

#define STATE_LEAST (1u << 15)
#define STATE_TOP   31 /* states stay below 2^31 */

/* Blocks of up to so many symbols have one state. */
#define ONE_STATE_MAX 2048

double rans_cost(const uint32_t *counts, size_t symbols, unsigned bits, double scale) {
    double total = 0;
    double sum = 0; /* of count * log2(count) */
    unsigned used = 0;
    for (size_t s = 0; s < symbols; s++) {
        if (!counts[s])
            continue;
        double count = counts[s];
        total += count;
        sum += count * (double)log2f((float)count);
        used++;
    }
    if (!used)
        return 0;
    /* A frequency takes about half of `bits`, and two for its length. */
    return scale * (total * log2(total) - sum) + used * (2 + 0.5 * bits);
}

void rans_normalize(const uint32_t *counts, unsigned bits, uint16_t *frequency) {
    uint64_t total = 0;
    for (size_t s = 0; s < RANS_SYMBOLS; s++)
        total += counts[s];
    int32_t left = 1 << bits;
    for (size_t s = 0; s < RANS_SYMBOLS; s++) {
        uint64_t share = (((uint64_t)counts[s] << bits) + total / 2) / total;
        frequency[s] = (uint16_t)(counts[s] && !share ? 1 : share);
        left -= frequency[s];
    }
    /* Rounding left some over or took too many: the largest bears it with the least harm. */
    while (left) {
        size_t largest = 0;
        for (size_t s = 1; s < RANS_SYMBOLS; s++)
            if (frequency[s] > frequency[largest])
                largest = s;
        int32_t step = left;
        if (left < 0 && -left > frequency[largest] / 4)
            step = frequency[largest] > 4 ? -(frequency[largest] / 4) : -1;
        frequency[largest] = (uint16_t)(frequency[largest] + step);
        left -= step;
    }
}

/* ---- frequencies as bits ---- */

/*
 * A number v >= 1 of n + 1 bits: n zeros, a one, the low n bits of v. Small ones are short: 1 takes
 * one bit, 2 and 3 take three.
 */
static void put_number(struct bit_writer *writer, uint32_t value) {
    assert(value > 0);
    unsigned n = bits_length(value) - 1;
    bits_put(writer, 1u << n, n + 1);
    bits_put(writer, value & ((1u << n) - 1), n);
}

/* 0 where it is longer than any number here. */
static uint32_t get_number(struct bit_reader *reader) {
    unsigned n = 0;
    while (!bits_get(reader, 1))
        if (++n > 15)
            return 0;
    return 1u << n | bits_get(reader, n);
}

/*
 * Neighbours are mostly alike: of each frequency its length in bits is put as the difference to
 * that of the latest that was not 0 (folded: 0, -1, 1, -2 ... as 1, 2, 3, 4 ...), then the bits
 * below its leading one. Length 0 is a frequency of 0, and how many of them follow each other is
 * put after the first. The list ends where the sum is reached.
 */
void rans_write_frequencies(struct bit_writer *writer, const uint16_t *frequency, unsigned bits) {
    uint32_t left = 1u << bits;
    unsigned before = bits;
    for (size_t s = 0; left;) {
        unsigned length = bits_length(frequency[s]);
        int difference = (int)length - (int)before;
        put_number(writer,
                   difference < 0 ? (uint32_t)(-2 * difference) : (uint32_t)(2 * difference + 1));
        if (length) {
            bits_put(writer, frequency[s] & ((1u << (length - 1)) - 1), length - 1);
            left -= frequency[s++];
            before = length;
            continue;
        }
        uint32_t zeros = 1;
        while (!frequency[s + zeros])
            zeros++;
        put_number(writer, zeros);
        s += zeros;
    }
}

int rans_read_frequencies(struct bit_reader *reader, unsigned bits, size_t symbols,
                          uint16_t *frequency) {
    memset(frequency, 0, RANS_SYMBOLS * sizeof *frequency);
    uint32_t left = 1u << bits;
    int before = (int)bits;
    for (size_t s = 0; left;) {
        uint32_t folded = get_number(reader);
        if (!folded || s >= symbols)
            return -EBADMSG;
        int length = before + (folded & 1 ? (int)(folded / 2) : -(int)(folded / 2));
        if (length < 0 || length > (int)bits + 1)
            return -EBADMSG;
        if (!length) {
            uint32_t zeros = get_number(reader);
            if (!zeros)
                return -EBADMSG;
            s += zeros;
            continue;
        }
        unsigned below = (unsigned)length - 1;
        uint32_t value = 1u << below | bits_get(reader, below);
        if (value > left)
            return -EBADMSG;
        frequency[s++] = (uint16_t)value;
        left -= value;
        before = length;
    }
    return reader->beyond ? -EBADMSG : 0;
}

/* ---- coding ---- */

/*
 * A division by a frequency f as a multiplication: for x < 2^31 and 2^(k-1) < f <= 2^k,
 * x div f = (x ceil(2^(31+k) / f)) div 2^(31+k), exactly (Granlund and Montgomery 1994,
 * theorem 4.2).
 */
struct range {
    uint64_t inverse;
    uint8_t shift; /* 31 + k */
    uint16_t begin, frequency;
};

static void make_ranges(const uint16_t *frequency, struct range *ranges) {
    uint32_t begin = 0;
    for (size_t s = 0; s < RANS_SYMBOLS; s++) {
        uint32_t f = frequency[s];
        if (!f)
            continue; /* never asked for */
        unsigned shift = STATE_TOP + bits_length(f - 1);
        ranges[s] = (struct range){.inverse = (((uint64_t)1 << shift) + f - 1) / f,
                                   .shift = (uint8_t)shift,
                                   .begin = (uint16_t)begin,
                                   .frequency = (uint16_t)f};
        begin += f;
    }
}

/*
 * Codes all symbols, the last one first; returns where the words begin. `turns` is a constant where
 * this is inlined: the two states then stay in registers, for a state that goes through memory
 * makes each symbol wait for the one before.
 */
static inline __attribute__((always_inline)) uint16_t *
encode_symbols(const struct range ranges[2][RANS_SYMBOLS], const struct rans_model *model,
               bool turns, const uint8_t *symbols, size_t count, uint16_t *at, uint32_t state[2]) {
    unsigned split = model->split ? model->split : RANS_SYMBOLS;
    unsigned bits = model->bits;
    unsigned top = STATE_TOP - bits;
    uint32_t x = state[turns && (count & 1) == 0];
    uint32_t other = state[turns && (count & 1) == 1];
    for (size_t i = count; i-- > 0;) {
        unsigned context = i > 0 && symbols[i - 1] >= split;
        const struct range *range = &ranges[context][symbols[i]];
        if (x >> top >= range->frequency) {
            *--at = (uint16_t)x;
            x >>= 16;
        }
        uint32_t quotient = (uint32_t)(x * range->inverse >> range->shift);
        x = (quotient << bits) + range->begin + (x - quotient * range->frequency);
        if (turns) {
            uint32_t turn = x;
            x = other;
            other = turn;
        }
    }
    /* The state of symbol 0 has just been left for the other. */
    state[0] = turns ? other : x;
    state[1] = turns ? x : other;
    return at;
}

size_t rans_encode(const struct rans_model *model, const uint8_t *symbols, size_t count,
                   uint16_t *end) {
    struct range ranges[2][RANS_SYMBOLS];
    make_ranges(model->frequency[0], ranges[0]);
    if (model->split)
        make_ranges(model->frequency[1], ranges[1]);
    uint32_t state[2] = {STATE_LEAST, STATE_LEAST};
    bool turns = count > ONE_STATE_MAX;
    uint16_t *at = turns ? encode_symbols(ranges, model, true, symbols, count, end, state)
                         : encode_symbols(ranges, model, false, symbols, count, end, state);
    for (size_t i = turns ? 2 : 1; i-- > 0;) {
        *--at = (uint16_t)state[i];
        *--at = (uint16_t)(state[i] >> 16);
    }
    return (size_t)(end - at);
}

/* A slot: symbol, frequency less 1, place within the symbol's range. */
static void fill_slots(const uint16_t *frequency, uint32_t *slot) {
    for (uint32_t s = 0; s < RANS_SYMBOLS; s++)
        for (uint32_t i = 0; i < frequency[s]; i++)
            *slot++ = s | (uint32_t)(frequency[s] - 1) << 8 | i << 20;
}

/* What the decoder works on. */
struct decoder {
    const uint8_t *at, *end; /* words not yet taken */
    uint32_t state[2];
};

/* `turns` is a constant where this is inlined. */
static inline __attribute__((always_inline)) bool
decode_symbols(struct decoder *decoder, const struct rans_model *model,
               const struct rans_slots *slots, bool turns, uint8_t *symbols, size_t count) {
    unsigned split = model->split ? model->split : RANS_SYMBOLS;
    uint32_t mask = (1u << model->bits) - 1;
    uint32_t x = decoder->state[0];
    uint32_t other = decoder->state[1];
    const uint32_t *table = slots->slot[0];
    for (size_t i = 0; i < count; i++) {
        uint32_t slot = table[x & mask];
        uint32_t symbol = slot & 0xFF;
        x = ((slot >> 8 & 0xFFF) + 1) * (x >> model->bits) + (slot >> 20);
        if (x < STATE_LEAST) {
            if (decoder->at == decoder->end)
                return false;
            x = x << 16 | bytes_u16(decoder->at);
            decoder->at += 2;
        }
        table = slots->slot[symbol >= split];
        symbols[i] = (uint8_t)symbol;
        if (turns) {
            uint32_t turn = x;
            x = other;
            other = turn;
        }
    }
    return decoder->at == decoder->end && x == STATE_LEAST && other == STATE_LEAST;
}

int rans_decode(const struct rans_model *model, struct rans_slots *slots, const uint8_t *bytes,
                size_t words, uint8_t *symbols, size_t count) {
    bool turns = count > ONE_STATE_MAX;
    size_t states = turns ? 2 : 1;
    struct decoder decoder = {
        .at = bytes, .end = bytes + 2 * words, .state = {STATE_LEAST, STATE_LEAST}};
    if (words < 2 * states)
        return -EBADMSG;
    for (size_t i = 0; i < states; i++, decoder.at += 4) {
        decoder.state[i] = (uint32_t)bytes_u16(decoder.at) << 16 | bytes_u16(decoder.at + 2);
        if (decoder.state[i] < STATE_LEAST || decoder.state[i] >> STATE_TOP)
            return -EBADMSG;
    }
    fill_slots(model->frequency[0], slots->slot[0]);
    if (model->split)
        fill_slots(model->frequency[1], slots->slot[1]);
    bool sound = turns ? decode_symbols(&decoder, model, slots, true, symbols, count)
                       : decode_symbols(&decoder, model, slots, false, symbols, count);
    return sound ? 0 : -EBADMSG;
}
