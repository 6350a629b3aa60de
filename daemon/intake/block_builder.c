// SPDX-License-Identifier: Apache-2.0
/*
 * block_builder.c - collects scans by input, codes them, and hands chunks to the memory ring.
 */
#include "block_builder.h"

#include "board.h"
#include "codec.h"
#include "intake.h"
#include "record.h"
#include "summary.h"

#include <errno.h>
#include <stdlib.h>

#define SAMPLES_MAX (1u << 19) /* of one block, all inputs together: 2 MiB */

struct block_builder {
    uint16_t stream;
    struct memory_ring *memory;
    struct timebase *timebase;
    struct codec_work *work;

    size_t inputs;
    size_t capacity; /* scans */
    int32_t *samples;
    uint8_t *coded;
    const int32_t *view[BOARD_INPUTS_MAX];

    uint32_t epoch;
    uint64_t first_scan;
    size_t scans;

    bool hurry;
    uint64_t blocks, blocks_fast;
};

/* Urgent blocks close four times a second; a full one holds SAMPLES_MAX. */
#define BLOCKS_PER_S 4.0
/* Of a block, and of each of its inputs: chunk header, place, node of the ring; raw codec. */
#define BLOCK_BYTES 320.0
#define INPUT_BYTES 12.0
/* An input's lowest, highest and sum, which go with the block. */
#define ROW_BYTES 16.0

double intake_bytes_per_s(size_t inputs, const unsigned *bits, double rate_hz) {
    double sample_bits = 0;
    for (size_t i = 0; i < inputs; i++)
        sample_bits += bits[i];
    if (!(rate_hz > 0))
        return 0;
    double blocks = BLOCKS_PER_S + rate_hz * (double)inputs / SAMPLES_MAX;
    double summary = rate_hz * (double)inputs * ROW_BYTES / SUMMARY_FINEST;
    return rate_hz * sample_bits / 8 + summary +
           blocks * (BLOCK_BYTES + (INPUT_BYTES + ROW_BYTES) * (double)inputs);
}

int block_builder_new(uint16_t stream, struct memory_ring *memory, struct timebase *timebase,
                      struct block_builder **builder) {
    struct block_builder *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->stream = stream;
    made->memory = memory;
    made->timebase = timebase;
    int result = codec_work_new(&made->work);
    if (result < 0) {
        block_builder_free(made);
        return result;
    }
    *builder = made;
    return 0;
}

void block_builder_free(struct block_builder *builder) {
    if (builder == NULL)
        return;
    codec_work_free(builder->work);
    free(builder->samples);
    free(builder->coded);
    free(builder);
}

int block_builder_set_inputs(struct block_builder *builder, size_t inputs) {
    if (inputs == builder->inputs)
        return 0;
    size_t capacity = SAMPLES_MAX / inputs;
    if (capacity > CODEC_SAMPLES_MAX)
        capacity = CODEC_SAMPLES_MAX;
    /* Of both only the pages that are used become memory. */
    int32_t *samples = malloc(capacity * inputs * sizeof *samples);
    uint8_t *coded = malloc(codec_bound(capacity) * inputs);
    if (samples == NULL || coded == NULL) {
        free(samples);
        free(coded);
        return -ENOMEM;
    }
    free(builder->samples);
    free(builder->coded);
    builder->samples = samples;
    builder->coded = coded;
    builder->inputs = inputs;
    builder->capacity = capacity;
    return 0;
}

void block_builder_begin_epoch(struct block_builder *builder, uint32_t epoch) {
    builder->epoch = epoch;
    builder->first_scan = 0;
}

size_t block_builder_append(struct block_builder *builder, const int32_t *counts, size_t scans,
                            size_t limit) {
    if (limit > builder->capacity)
        limit = builder->capacity;
    size_t room = limit > builder->scans ? limit - builder->scans : 0;
    size_t taken = scans < room ? scans : room;
    for (size_t input = 0; input < builder->inputs; input++) {
        int32_t *to = builder->samples + input * builder->capacity + builder->scans;
        const int32_t *from = counts + input;
        for (size_t scan = 0; scan < taken; scan++)
            to[scan] = from[scan * builder->inputs];
    }
    builder->scans += taken;
    return taken;
}

size_t block_builder_scans(const struct block_builder *builder) {
    return builder->scans;
}

uint64_t block_builder_first(const struct block_builder *builder) {
    return builder->first_scan;
}

uint64_t block_builder_next(const struct block_builder *builder) {
    return builder->first_scan + builder->scans;
}

const int32_t *const *block_builder_counts(struct block_builder *builder, size_t from) {
    for (size_t input = 0; input < builder->inputs; input++)
        builder->view[input] = builder->samples + input * builder->capacity + from;
    return builder->view;
}

static struct chunk_place place_of(const struct block_builder *builder) {
    return (struct chunk_place){builder->stream, builder->epoch, builder->first_scan};
}

/* Says when the open block's first scan was, and how fast they come from there on. */
static void put_clock(struct block_builder *builder, struct intake_clock *clock) {
    struct chunk chunk = {0};
    int64_t at = intake_clock_time(clock, builder->first_scan);
    int64_t ago = timebase_elapsed_ns(builder->timebase) - at;
    struct chunk_clock content = {
        .place = place_of(builder),
        .elapsed_ns = at,
        .wall_ns = timebase_wall_ns(builder->timebase) - ago,
        .rate_hz = intake_clock_rate(clock),
        .error_ns = intake_clock_error_ns(clock),
    };
    timebase_boot(builder->timebase, content.boot);
    if (chunk_clock_make(&chunk, &content) < 0)
        return; /* it stays due: the next block tries again */
    chunk.from_ns = at;
    chunk.to_ns = at;
    memory_ring_put(builder->memory, &chunk);
    intake_clock_anchored(clock, builder->first_scan);
}

/* Codes all inputs one behind the other. */
static int make_block(struct block_builder *builder, struct chunk *chunk) {
    const uint8_t *coded[BOARD_INPUTS_MAX];
    size_t length[BOARD_INPUTS_MAX];
    struct chunk_place place = place_of(builder);
    /* Who falls behind has less time, not less data: code faster, a little larger. */
    bool fast = builder->hurry || memory_ring_fill(builder->memory) > 0.5;
    enum codec_effort effort = fast ? CODEC_FAST : CODEC_FULL;
    builder->blocks++;
    builder->blocks_fast += fast;

    uint8_t *to = builder->coded;
    for (size_t input = 0; input < builder->inputs; input++) {
        const int32_t *from = builder->samples + input * builder->capacity;
        coded[input] = to;
        length[input] = codec_encode(builder->work, from, builder->scans, effort, to);
        to += length[input];
    }
    return chunk_block(chunk, &place, (uint32_t)builder->scans, builder->inputs, coded, length);
}

int block_builder_close(struct block_builder *builder, struct intake_clock *clock) {
    struct chunk chunk = {0};
    uint64_t scans = builder->scans;
    if (scans == 0)
        return 0;
    if (intake_clock_anchor_due(clock, builder->first_scan))
        put_clock(builder, clock);

    int result = make_block(builder, &chunk);
    builder->scans = 0;
    if (result < 0) {
        block_builder_lose(builder, clock, scans, "out of memory");
        return result;
    }
    chunk.from_ns = intake_clock_time(clock, builder->first_scan);
    chunk.to_ns = intake_clock_time(clock, builder->first_scan + scans);
    chunk.summary = summary_rows_make(block_builder_counts(builder, 0), builder->inputs,
                                      builder->first_scan, (uint32_t)scans);
    memory_ring_put(builder->memory, &chunk);
    builder->first_scan += scans;
    return 0;
}

void block_builder_hurry(struct block_builder *builder, bool hurry) {
    builder->hurry = hurry;
}

void block_builder_count(const struct block_builder *builder, uint64_t *blocks, uint64_t *fast) {
    *blocks = builder->blocks;
    *fast = builder->blocks_fast;
}

void block_builder_lose(struct block_builder *builder, const struct intake_clock *clock,
                        uint64_t scans, const char *reason) {
    struct chunk chunk = {0};
    struct chunk_place place = place_of(builder);
    uint64_t known = scans == RECORD_LOSS_UNKNOWN ? 0 : scans;
    if (chunk_loss(&chunk, &place, scans, reason) == 0) {
        chunk.from_ns = intake_clock_time(clock, builder->first_scan);
        chunk.to_ns = intake_clock_time(clock, builder->first_scan + known);
        memory_ring_put(builder->memory, &chunk);
    }
    builder->first_scan += known;
}
