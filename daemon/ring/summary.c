// SPDX-License-Identifier: Apache-2.0
/*
 * summary.c - rows out of samples, chunks out of rows, and back.
 */
#include "summary.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

size_t summary_cells(uint64_t first_scan, uint64_t scans, uint32_t span) {
    return scans ? (size_t)((first_scan + scans - 1) / span - first_scan / span + 1) : 0;
}

uint64_t summary_row_scan(uint64_t first_scan, uint64_t scans, uint32_t span, size_t row) {
    uint64_t from_first = row ? (first_scan / span + row) * span - first_scan : 0;
    return first_scan + (from_first < scans ? from_first : scans);
}

static size_t rows_bytes(size_t inputs, size_t rows) {
    return sizeof(struct summary_rows) + inputs * rows * sizeof(struct summary_value);
}

static struct summary_value find_value(const int32_t *counts, size_t count) {
    int32_t low = counts[0];
    int32_t high = counts[0];
    int64_t sum = counts[0];
    for (size_t i = 1; i < count; i++) {
        low = counts[i] < low ? counts[i] : low;
        high = counts[i] > high ? counts[i] : high;
        sum += counts[i];
    }
    return (struct summary_value){low, high, sum};
}

struct summary_rows *summary_rows_make(const int32_t *const *counts, size_t inputs,
                                       uint64_t first_scan, uint32_t scans) {
    size_t count = summary_cells(first_scan, scans, SUMMARY_FINEST);
    struct summary_rows *rows = malloc(rows_bytes(inputs, count));
    if (!rows)
        return NULL;
    rows->inputs = inputs;
    rows->rows = count;
    for (size_t input = 0; input < inputs; input++) {
        size_t from = 0;
        size_t to = SUMMARY_FINEST - (size_t)(first_scan % SUMMARY_FINEST);
        for (size_t row = 0; row < count; row++) {
            to = to < scans ? to : scans;
            rows->value[row * inputs + input] = find_value(counts[input] + from, to - from);
            from = to;
            to += SUMMARY_FINEST;
        }
    }
    return rows;
}

size_t summary_rows_bytes(const struct summary_rows *rows) {
    return rows ? rows_bytes(rows->inputs, rows->rows) : 0;
}

struct summary_rows *summary_rows_copy(const struct summary_rows *rows) {
    if (!rows)
        return NULL;
    size_t bytes = summary_rows_bytes(rows);
    struct summary_rows *copy = malloc(bytes);
    if (copy)
        memcpy(copy, rows, bytes);
    return copy;
}

/* The nearest whole number, the upper one of two. */
static int32_t mean_of(int64_t sum, uint64_t scans) {
    int64_t twice = 2 * (int64_t)scans;
    int64_t over = 2 * sum + (int64_t)scans;
    int64_t mean = over / twice;
    return (int32_t)(over % twice < 0 ? mean - 1 : mean);
}

enum part { LOWEST, HIGHEST, MEAN };

/* The rows of one chunk, and the scans that they are of. */
struct table {
    uint64_t first, scans;
    uint32_t span;
    struct summary_rows *rows;
};

static uint64_t row_scans(const struct table *table, size_t row) {
    return summary_row_scan(table->first, table->scans, table->span, row + 1) -
           summary_row_scan(table->first, table->scans, table->span, row);
}

/* A column (a part of an input) of all rows, one behind the other. */
static void take_column(const struct table *table, size_t column, int32_t *values) {
    size_t inputs = table->rows->inputs;
    const struct summary_value *value = &table->rows->value[column / CHUNK_SUMMARY_PARTS];
    for (size_t row = 0; row < table->rows->rows; row++, value += inputs) {
        enum part part = (enum part)(column % CHUNK_SUMMARY_PARTS);
        values[row] = part == LOWEST    ? value->low
                      : part == HIGHEST ? value->high
                                        : mean_of(value->sum, row_scans(table, row));
    }
}

static void give_column(const struct table *table, size_t column, const int32_t *values) {
    size_t inputs = table->rows->inputs;
    struct summary_value *value = &table->rows->value[column / CHUNK_SUMMARY_PARTS];
    for (size_t row = 0; row < table->rows->rows; row++, value += inputs) {
        enum part part = (enum part)(column % CHUNK_SUMMARY_PARTS);
        if (part == LOWEST)
            value->low = values[row];
        else if (part == HIGHEST)
            value->high = values[row];
        else
            value->sum = values[row] * (int64_t)row_scans(table, row);
    }
}

int summary_chunk(struct chunk *chunk, struct codec_work *work, const struct chunk_place *place,
                  uint64_t scans, uint32_t span, struct summary_rows *rows) {
    const struct table table = {place->first_scan, scans, span, rows};
    size_t columns = CHUNK_SUMMARY_PARTS * rows->inputs;
    size_t bound = codec_bound(rows->rows);
    int32_t *values = malloc(rows->rows * sizeof *values);
    uint8_t *coded = malloc(columns * bound);
    const uint8_t **at = malloc(columns * sizeof *at);
    size_t *length = malloc(columns * sizeof *length);
    int error = values && coded && at && length ? 0 : -ENOMEM;
    for (size_t column = 0; !error && column < columns; column++) {
        uint8_t *to = coded + column * bound;
        take_column(&table, column, values);
        at[column] = to;
        length[column] = codec_encode(work, values, rows->rows, CODEC_FAST, to);
    }
    if (!error)
        error = chunk_summary(chunk, place, scans, span, rows->inputs, at, length);
    free(length);
    free(at);
    free(coded);
    free(values);
    return error;
}

static int decode_columns(const struct chunk *chunk, struct codec_work *work, int32_t *values,
                          const struct table *table) {
    int error = 0;
    for (size_t column = 0; !error && column < CHUNK_SUMMARY_PARTS * table->rows->inputs;
         column++) {
        const uint8_t *coded;
        size_t length;
        error = chunk_summary_column(chunk, column, &coded, &length);
        if (!error)
            error = codec_decode(work, coded, length, values, table->rows->rows);
        if (!error)
            give_column(table, column, values);
    }
    return error;
}

int summary_parse(const struct chunk *chunk, struct codec_work *work, uint64_t *scans,
                  uint32_t *span, struct summary_rows **rows) {
    struct chunk_summary_front front;
    int error = chunk_parse_summary(chunk, &front);
    if (error)
        return error;
    size_t count = summary_cells(chunk->place.first_scan, front.scans, front.span);
    if (!count || count > SUMMARY_ROWS_MAX)
        return -EBADMSG;
    struct summary_rows *made = malloc(rows_bytes(front.inputs, count));
    int32_t *values = malloc(count * sizeof *values);
    if (made && values) {
        made->inputs = front.inputs;
        made->rows = count;
        const struct table table = {chunk->place.first_scan, front.scans, front.span, made};
        error = decode_columns(chunk, work, values, &table);
    } else {
        error = -ENOMEM;
    }
    free(values);
    if (error) {
        free(made);
        return error;
    }
    *scans = front.scans;
    *span = front.span;
    *rows = made;
    return 0;
}
