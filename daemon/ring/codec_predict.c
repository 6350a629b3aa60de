// SPDX-License-Identifier: Apache-2.0
/*
 * codec_predict.c - codec id 1: a predictor, then the entropy stage.
 *
 * A residual r, a signed 32-bit number, is folded to f = 2r for r >= 0, -2r - 1 for r < 0, so that
 * small ones of either sign are small. f below 16 is a symbol of its own. From 16 on, with n =
 * floor(log2 f), the symbol tells n and the two bits below the leading one, 16 + 4 (n - 4) + those
 * two; the n - 2 bits left are nearly uniform, not worth a model, and go as they are into a bit
 * string of their own ("extra"). 128 symbols hold all of 32 bits. A sample coded near the upper of
 * two levels has 128 added to its symbol.
 *
 * A block may have two tables of frequencies, taken by whether the symbol before was below `split`:
 * after a large residual a large one is likelier, after a sample on the upper level another one.
 */
#include "codec_predict.h"

#include "bits.h"
#include "bytes.h"

#include <errno.h>
#include <string.h>

enum {
    DIRECT = 16,       /* folded residuals that are symbols of their own */
    DIRECT_LENGTH = 4, /* log2 of that */
    UPPER = 128,       /* added to the symbol of a sample near the upper level */
    FLAG_SPLIT = 0x80, /* two tables; the split follows */
    KIND_MASK = 0x0F,
    BITS_SHIFT = 4,
    BITS_MASK = 0x07,
};

/* A block's candidates are judged by so many stretches of so many samples; of a small block by
 * fewer, or choosing would cost more than coding. */
enum { JUDGE_STRETCHES = 16, JUDGE_STRETCH_MIN = 16, JUDGE_STRETCH = 64, JUDGE_PART = 4 };

/* Residuals are made so many at a time, to stay near the processor. */
enum { PIECE = 1024 };

/* Most bytes before the words: id, flags, split, two numbers, order, weights, two tables. */
#define FRONT_MAX (8 + 2 * 5 + 2 * PREDICTOR_ORDER_MAX + 2 * RANS_SYMBOLS * 4 + 8)

static inline uint32_t fold(int32_t residual) {
    return (uint32_t)residual << 1 ^ (residual < 0 ? UINT32_MAX : 0);
}

static inline int32_t unfold(uint32_t folded) {
    return (int32_t)(folded >> 1 ^ (0 - (folded & 1)));
}

/* The symbol; `*width` extra bits, the lowest of `folded`, go with it. */
static inline unsigned symbol_of(uint32_t folded, unsigned *width) {
    if (folded < DIRECT) {
        *width = 0;
        return folded;
    }
    unsigned n = bits_length(folded) - 1;
    *width = n - 2;
    return DIRECT + 4 * (n - DIRECT_LENGTH) + (folded >> (n - 2) & 3);
}

static inline unsigned width_of(unsigned symbol) {
    symbol &= UPPER - 1;
    return symbol < DIRECT ? 0 : 2 + (symbol - DIRECT) / 4;
}

/* `folded` without its extra bits. */
static inline uint32_t start_of(unsigned symbol) {
    symbol &= UPPER - 1;
    return symbol < DIRECT ? symbol : (4 | (symbol & 3)) << width_of(symbol);
}

/* A finer sum of frequencies for a longer block: it costs bits in the tables. */
static unsigned table_bits(size_t count) {
    unsigned bits = bits_length((uint32_t)count);
    return bits < 11 ? 9 : bits > 14 ? 12 : bits - 2;
}

/* ---- choosing ---- */

/* Bits of the predictor's own numbers, about. */
static double predictor_bits(const struct predictor *predictor) {
    switch (predictor->kind) {
    case PREDICTOR_LEVELS:
        return 48;
    case PREDICTOR_LINEAR:
        return 32 + 16.0 * predictor->order;
    default:
        return 24;
    }
}

static double extra_bits(const uint32_t *counts, size_t symbols) {
    double sum = 0;
    for (unsigned s = DIRECT; s < symbols; s++)
        sum += (double)counts[s] * width_of(s);
    return sum;
}

static size_t judged_stretch(size_t count) {
    size_t length = count / (JUDGE_PART * JUDGE_STRETCHES);
    return length < JUDGE_STRETCH_MIN ? JUDGE_STRETCH_MIN
           : length > JUDGE_STRETCH   ? JUDGE_STRETCH
                                      : length;
}

/* Estimated bits of the whole block by this predictor. */
static double judge(const struct predictor_block *block, const struct predictor *predictor) {
    size_t length = judged_stretch(block->count);
    size_t stretches = block->count > JUDGE_STRETCHES * length ? JUDGE_STRETCHES : 1;
    length = stretches > 1 ? length : block->count;
    int32_t residuals[JUDGE_STRETCHES * JUDGE_STRETCH];
    uint32_t counts[2][RANS_SYMBOLS] = {{0}};
    int32_t cut = predictor_cut(predictor);
    for (size_t i = 0; i < stretches; i++) {
        size_t from = i * (block->count / stretches);
        predictor_residuals(predictor, block->samples, from, from + length, residuals);
        bool upper = false; /* the level before chooses the table, as it will in the block */
        for (size_t k = 0; k < length; k++) {
            unsigned width;
            unsigned symbol = symbol_of(fold(residuals[k]), &width);
            unsigned context = upper;
            upper = block->samples[from + k] > cut;
            counts[context][symbol + (upper ? UPPER : 0)]++;
        }
    }
    double scale = (double)block->count / (double)(stretches * length);
    unsigned bits = table_bits(block->count);
    double sum = predictor_bits(predictor);
    for (int c = 0; c < 2; c++)
        sum += rans_cost(counts[c], RANS_SYMBOLS, bits, scale) +
               scale * extra_bits(counts[c], RANS_SYMBOLS);
    return sum;
}

static struct predictor choose_predictor(const struct predictor_block *block,
                                         enum codec_effort effort) {
    struct predictor best;
    predictor_fit(block, PREDICTOR_DIFFERENCE_1, &best);
    if (effort == CODEC_FAST)
        return best;
    double best_bits = judge(block, &best);
    for (unsigned kind = 0; kind < PREDICTOR_KINDS; kind++) {
        struct predictor other;
        if (kind == PREDICTOR_DIFFERENCE_1 ||
            !predictor_fit(block, (enum predictor_kind)kind, &other))
            continue;
        double bits = judge(block, &other);
        if (bits < best_bits) {
            best_bits = bits;
            best = other;
        }
    }
    return best;
}

/*
 * Symbols are counted apart by the group of the symbol before; these are where groups begin, and so
 * the splits that can be chosen. Levels know only one: the level before.
 */
static const uint8_t group_begin[PREDICT_GROUPS] = {0, 1, 3, 5, 9, 16, 24, 40};
static const uint8_t group_begin_levels[2] = {0, UPPER};

static void merge(uint32_t (*counts)[RANS_SYMBOLS], size_t from, size_t to, uint32_t *merged) {
    memset(merged, 0, RANS_SYMBOLS * sizeof *merged);
    for (size_t g = from; g < to; g++)
        for (size_t s = 0; s < RANS_SYMBOLS; s++)
            merged[s] += counts[g][s];
}

static bool any(const uint32_t *counts) {
    for (size_t s = 0; s < RANS_SYMBOLS; s++)
        if (counts[s])
            return true;
    return false;
}

/* Chooses one table or two, and makes them. */
static void choose_model(struct codec_work *work, const uint8_t *begins, size_t groups,
                         size_t count) {
    struct rans_model *model = &work->model;
    uint32_t merged[2][RANS_SYMBOLS];
    model->bits = table_bits(count);
    model->split = 0;
    merge(work->counts, 0, groups, merged[0]);
    rans_normalize(merged[0], model->bits, model->frequency[0]);
    double best = rans_cost(merged[0], RANS_SYMBOLS, model->bits, 1);
    for (size_t g = 1; g < groups; g++) {
        merge(work->counts, 0, g, merged[0]);
        merge(work->counts, g, groups, merged[1]);
        if (!any(merged[0]) || !any(merged[1]))
            continue;
        double bits = 8;
        for (int c = 0; c < 2; c++)
            bits += rans_cost(merged[c], RANS_SYMBOLS, model->bits, 1);
        if (bits < best) {
            best = bits;
            model->split = begins[g];
            for (int c = 0; c < 2; c++)
                rans_normalize(merged[c], model->bits, model->frequency[c]);
        }
    }
}

/* ---- coding ---- */

/*
 * The symbols of one piece. `levels` is a constant where this is inlined: only with two levels is
 * there anything to be compared. The counts are those of the group of the symbol before; they are
 * returned for the symbol after the last.
 */
static inline __attribute__((always_inline)) uint32_t *
make_piece(struct codec_work *work, const int32_t *residuals, const int32_t *samples, size_t count,
           bool levels, int32_t cut, const uint8_t *group, struct bit_writer *extra,
           uint32_t *counts, uint8_t *symbols) {
    for (size_t i = 0; i < count; i++) {
        uint32_t folded = fold(residuals[i]);
        unsigned symbol = folded;
        if (folded >= DIRECT) {
            unsigned width;
            symbol = symbol_of(folded, &width);
            bits_put(extra, folded & ((1u << width) - 1), width);
        }
        if (levels)
            symbol += samples[i] > cut ? UPPER : 0;
        symbols[i] = (uint8_t)symbol;
        counts[symbol]++;
        counts = work->counts[group[symbol]];
    }
    return counts;
}

/* All symbols of the block, their extra bits and counts; returns the end of the extra bits. */
static uint8_t *make_symbols(struct codec_work *work, const struct predictor_block *block,
                             const struct predictor *predictor, const uint8_t *begins,
                             size_t groups) {
    uint8_t group[RANS_SYMBOLS];
    for (size_t s = 0, g = 0; s < RANS_SYMBOLS; s++) {
        if (g + 1 < groups && s >= begins[g + 1])
            g++;
        group[s] = (uint8_t)g;
    }
    memset(work->counts, 0, sizeof work->counts);
    struct bit_writer extra = {.at = work->extra};
    int32_t residuals[PIECE];
    uint32_t *counts = work->counts[0];
    int32_t cut = predictor_cut(predictor);
    for (size_t from = 0; from < block->count; from += PIECE) {
        size_t length = block->count - from < PIECE ? block->count - from : PIECE;
        predictor_residuals(predictor, block->samples, from, from + length, residuals);
        const int32_t *samples = block->samples + from;
        uint8_t *symbols = work->symbols + from;
        counts = predictor->kind == PREDICTOR_LEVELS
                     ? make_piece(work, residuals, samples, length, true, cut, group, &extra,
                                  counts, symbols)
                     : make_piece(work, residuals, samples, length, false, cut, group, &extra,
                                  counts, symbols);
    }
    return bits_flush(&extra);
}

/* Seven bits at a time, the low ones first, the top bit telling that more follow. */
static uint8_t *put_number(uint8_t *at, uint32_t value) {
    for (; value >= 0x80; value >>= 7)
        *at++ = (uint8_t)(value | 0x80);
    *at++ = (uint8_t)value;
    return at;
}

static uint8_t *put_front(uint8_t *at, const struct predictor *predictor,
                          const struct rans_model *model) {
    *at++ = CODEC_PREDICT;
    *at++ = (uint8_t)((unsigned)predictor->kind | (model->bits - RANS_BITS_MIN) << BITS_SHIFT |
                      (model->split ? FLAG_SPLIT : 0u));
    if (model->split)
        *at++ = (uint8_t)model->split;
    at = put_number(at, fold(predictor->origin));
    if (predictor->kind == PREDICTOR_LEVELS)
        at = put_number(at, fold(predictor->upper));
    if (predictor->kind == PREDICTOR_LINEAR) {
        *at++ = (uint8_t)((predictor->order - 1) | predictor->shift << 4);
        for (unsigned k = 0; k < predictor->order; k++, at += 2)
            bytes_put_u16(at, (uint16_t)predictor->weight[k]);
    }
    struct bit_writer tables = {.at = at};
    rans_write_frequencies(&tables, model->frequency[0], model->bits);
    if (model->split)
        rans_write_frequencies(&tables, model->frequency[1], model->bits);
    return bits_flush(&tables);
}

size_t codec_predict_encode(struct codec_work *work, const struct predictor_block *block,
                            enum codec_effort effort, size_t limit, uint8_t *coded) {
    struct predictor predictor = choose_predictor(block, effort);
    bool levels = predictor.kind == PREDICTOR_LEVELS;
    const uint8_t *begins = levels ? group_begin_levels : group_begin;
    size_t groups = levels ? 2 : effort == CODEC_FAST ? 1 : PREDICT_GROUPS;
    const uint8_t *extra_end = make_symbols(work, block, &predictor, begins, groups);
    choose_model(work, begins, groups, block->count);

    size_t extra = (size_t)(extra_end - work->extra);
    const uint16_t *words_end = work->words + RANS_WORDS_MAX(block->count);
    size_t words = rans_encode(&work->model, work->symbols, block->count,
                               work->words + RANS_WORDS_MAX(block->count));
    uint8_t front[FRONT_MAX];
    uint8_t *front_end = put_front(front, &predictor, &work->model);
    front_end = put_number(front_end, (uint32_t)words);
    size_t total = (size_t)(front_end - front) + 2 * words + extra;
    if (total >= limit)
        return 0;
    memcpy(coded, front, (size_t)(front_end - front));
    uint8_t *at = coded + (front_end - front);
    for (const uint16_t *word = words_end - words; word < words_end; word++, at += 2)
        bytes_put_u16(at, *word);
    memcpy(at, work->extra, extra);
    return total;
}

/* ---- decoding ---- */

/* What is left to be read of the coded bytes. */
struct source {
    const uint8_t *at, *end;
};

static bool get_byte(struct source *source, unsigned *value) {
    if (source->at == source->end)
        return false;
    *value = *source->at++;
    return true;
}

static bool get_number(struct source *source, uint32_t *value) {
    uint64_t sum = 0;
    for (unsigned shift = 0; shift < 35; shift += 7) {
        unsigned byte;
        if (!get_byte(source, &byte))
            return false;
        sum |= (uint64_t)(byte & 0x7F) << shift;
        if (byte < 0x80) {
            *value = (uint32_t)sum;
            return sum <= UINT32_MAX;
        }
    }
    return false;
}

static bool get_weights(struct source *source, struct predictor *predictor) {
    unsigned byte;
    if (!get_byte(source, &byte))
        return false;
    predictor->order = (byte & 0x0F) + 1;
    predictor->shift = byte >> 4;
    if (predictor->order > PREDICTOR_ORDER_MAX ||
        (size_t)(source->end - source->at) < 2 * (size_t)predictor->order)
        return false;
    for (unsigned k = 0; k < predictor->order; k++, source->at += 2)
        predictor->weight[k] = (int16_t)bytes_u16(source->at);
    return true;
}

static bool get_predictor(struct source *source, struct predictor *predictor,
                          struct rans_model *model) {
    unsigned flags;
    if (!get_byte(source, &flags))
        return false;
    *predictor = (struct predictor){.kind = (enum predictor_kind)(flags & KIND_MASK)};
    model->bits = RANS_BITS_MIN + (flags >> BITS_SHIFT & BITS_MASK);
    model->split = 0;
    if (predictor->kind >= PREDICTOR_KINDS || model->bits > RANS_BITS_MAX)
        return false;
    if (flags & FLAG_SPLIT && (!get_byte(source, &model->split) || !model->split))
        return false;
    uint32_t folded;
    if (!get_number(source, &folded))
        return false;
    predictor->origin = unfold(folded);
    if (predictor->kind == PREDICTOR_LEVELS) {
        if (!get_number(source, &folded))
            return false;
        predictor->upper = unfold(folded);
    }
    return predictor->kind != PREDICTOR_LINEAR || get_weights(source, predictor);
}

static bool get_tables(struct source *source, const struct predictor *predictor,
                       struct rans_model *model) {
    size_t symbols = predictor->kind == PREDICTOR_LEVELS ? RANS_SYMBOLS : UPPER;
    struct bit_reader reader = {.at = source->at, .end = source->end};
    if (rans_read_frequencies(&reader, model->bits, symbols, model->frequency[0]) != 0)
        return false;
    if (model->split &&
        rans_read_frequencies(&reader, model->bits, symbols, model->frequency[1]) != 0)
        return false;
    source->at = bits_align(&reader);
    return source->at != NULL;
}

/* Symbols and extra bits to residuals with the predictor's level added. */
static bool make_residuals(const uint8_t *symbols, struct source extra,
                           const struct predictor *predictor, int32_t *samples, size_t count) {
    uint32_t start[UPPER];
    uint8_t width[UPPER];
    for (unsigned s = 0; s < UPPER; s++) {
        start[s] = start_of(s);
        width[s] = (uint8_t)width_of(s);
    }
    const uint32_t base[2] = {(uint32_t)predictor_base(predictor, false),
                              (uint32_t)predictor_base(predictor, true)};
    struct bit_reader reader = {.at = extra.at, .end = extra.end};
    for (size_t i = 0; i < count; i++) {
        unsigned symbol = symbols[i] & (UPPER - 1);
        uint32_t folded = start[symbol] + bits_get(&reader, width[symbol]);
        samples[i] = (int32_t)((uint32_t)unfold(folded) + base[symbols[i] / UPPER]);
    }
    return bits_done(&reader);
}

int codec_predict_decode(struct codec_work *work, const uint8_t *coded, size_t length,
                         int32_t *samples, size_t count) {
    struct source source = {.at = coded + 1, .end = coded + length};
    struct predictor predictor;
    uint32_t words;
    if (!get_predictor(&source, &predictor, &work->model) ||
        !get_tables(&source, &predictor, &work->model) || !get_number(&source, &words) ||
        (size_t)(source.end - source.at) / 2 < words)
        return -EBADMSG;
    int error = rans_decode(&work->model, &work->slots, source.at, words, work->symbols, count);
    if (error)
        return error;
    source.at += 2 * (size_t)words;
    if (!make_residuals(work->symbols, source, &predictor, samples, count))
        return -EBADMSG;
    predictor_restore(&predictor, samples, count);
    return 0;
}
