// SPDX-License-Identifier: Apache-2.0
/*
 * chunk_fuzz.c - any bytes as a chunk. Its check sums are put right first, so that the fuzzer gets
 * at what stands behind them.
 */
#include "chunk.h"
#include "summary.h"

#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <zlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static const uint8_t magic[4] = {0xC7, 'C', 'T', '\n'};

static void put_u32(uint8_t *at, uint32_t value) {
    for (int i = 0; i < 4; i++)
        at[i] = (uint8_t)(value >> (8 * i));
}

/* Touches every byte that is handed out. */
static void touch(const void *bytes, size_t count) {
    static volatile uint8_t sum;
    for (size_t i = 0; i < count; i++)
        sum = (uint8_t)(sum + ((const uint8_t *)bytes)[i]);
}

static void use_hints(const struct chunk *chunk) {
    struct codec_work *work = NULL;
    struct summary_rows *rows;
    uint64_t scans;
    uint32_t span;
    for (size_t i = 0; i < chunk_index_count(chunk); i++) {
        struct chunk_index_entry entry = chunk_index_get(chunk, i);
        touch(&entry, sizeof entry);
    }
    if (chunk->type != CHUNK_SUMMARY || codec_work_new(&work) < 0)
        return;
    if (summary_parse(chunk, work, &scans, &span, &rows) == 0) {
        touch(rows, summary_rows_bytes(rows));
        free(rows);
    }
    codec_work_free(work);
}

static void use(const struct chunk *chunk) {
    use_hints(chunk);

    uint64_t scans;
    const char *text;
    size_t length;
    struct chunk_clock clock;
    if (chunk_parse_loss(chunk, &scans, &text, &length) == 0)
        touch(text, length);
    if (chunk_parse_text(chunk, &text, &length) == 0)
        touch(text, length);
    if (chunk_parse_clock(chunk, &clock) == 0 && !(clock.rate_hz > 0))
        abort();
    size_t inputs = 0;
    if (chunk_block_inputs(chunk, &inputs) != 0)
        return;
    for (size_t i = 0; i < inputs && i < 100; i++) {
        const uint8_t *coded;
        if (chunk_block_input(chunk, i, &coded, &length) != 0)
            abort();
        touch(coded, length);
    }
}

static void parse(const uint8_t *bytes, size_t size) {
    struct chunk chunk;
    uint32_t sequence;
    int64_t length = chunk_parse(bytes, size, &chunk, &sequence);
    if (length > (int64_t)size)
        abort();
    if (length > 0)
        use(&chunk);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    (void)chunk_find(data, size);
    parse(data, size);
    if (size < CHUNK_HEADER_SIZE)
        return 0;
    uint8_t *bytes = malloc(size);
    if (!bytes)
        return 0;
    memcpy(bytes, data, size);
    memcpy(bytes, magic, sizeof magic);
    put_u32(bytes + 8, (uint32_t)(size - CHUNK_HEADER_SIZE));
    put_u32(bytes + 24, (uint32_t)crc32(0, bytes + 32, (uInt)(size - 32)));
    put_u32(bytes + 28, (uint32_t)crc32(0, bytes, 28));
    parse(bytes, size);
    free(bytes);
    return 0;
}
