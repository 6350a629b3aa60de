// SPDX-License-Identifier: Apache-2.0
/*
 * summary.h - lowest, highest and mean sample of each input over fixed spans of scans, made while
 * the samples are at hand, so that a night is drawn without decoding it.
 *
 * The grid is that of the scan numbers: cell n of a span holds the scans [n span, (n + 1) span) of
 * an epoch. Three spans, each SUMMARY_BASE times the one before: whatever the stretch and the
 * columns, one of them has between one and SUMMARY_BASE cells a column, or the samples themselves
 * are few. docs/format.md, SUMMARY. Pure, but for the allocations; any thread.
 */
#ifndef CRANKTRAP_SUMMARY_H
#define CRANKTRAP_SUMMARY_H

#include "chunk.h"
#include "codec.h"

#include <stddef.h>
#include <stdint.h>

#define SUMMARY_BASE     16u
#define SUMMARY_FINEST   256u /* scans in a cell of the finest span */
#define SUMMARY_SPANS    3
#define SUMMARY_ROWS_MAX 1024u /* of one chunk */

/* Of one input in one cell. The sum is exact; out of a chunk it is that of the rounded mean. */
struct summary_value {
    int32_t low, high;
    int64_t sum;
};

/* The cells of consecutive scans: one allocation, freed with free(). The first and the last cell
 * may be filled in part. Input i of row r is value[r * inputs + i]. */
struct summary_rows {
    size_t inputs, rows;
    struct summary_value value[];
};

/* The cells that [first_scan, first_scan + scans) touches. */
size_t summary_cells(uint64_t first_scan, uint64_t scans, uint32_t span);

/* The first scan of row `row` of them, or the one behind the last where there is no such row. */
uint64_t summary_row_scan(uint64_t first_scan, uint64_t scans, uint32_t span, size_t row);

/*
 * Of the samples counts[input][0..scans) from `first_scan` on, on the finest span. NULL without
 * memory.
 */
struct summary_rows *summary_rows_make(const int32_t *const *counts, size_t inputs,
                                       uint64_t first_scan, uint32_t scans);
size_t summary_rows_bytes(const struct summary_rows *rows); /* what they take; 0 of NULL */
struct summary_rows *summary_rows_copy(const struct summary_rows *rows); /* NULL of NULL */

/* A SUMMARY chunk of rows that cover [place->first_scan, + scans) on the grid of `span`. */
int summary_chunk(struct chunk *chunk, struct codec_work *work, const struct chunk_place *place,
                  uint64_t scans, uint32_t span, struct summary_rows *rows);

/* The rows of a SUMMARY chunk; free() them. -EBADMSG, -ENOTSUP (codec), -ENOMEM. */
int summary_parse(const struct chunk *chunk, struct codec_work *work, uint64_t *scans,
                  uint32_t *span, struct summary_rows **rows);

#endif
