// SPDX-License-Identifier: Apache-2.0
/*
 * block_builder.h - scans of one board into coded blocks. Internal to daemon/intake.
 *
 * Holds the open block, one array per input; one thread. Nothing is allocated per scan: one
 * allocation per chunk, and none but at a description.
 */
#ifndef CRANKTRAP_BLOCK_BUILDER_H
#define CRANKTRAP_BLOCK_BUILDER_H

#include "chunk.h"
#include "clock.h"
#include "memory_ring.h"
#include "timebase.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct block_builder;

/* For the board that is stream number `stream`; the rest is kept. 0 or -ENOMEM. */
int block_builder_new(uint16_t stream, struct memory_ring *memory, struct timebase *timebase,
                      struct block_builder **builder);
void block_builder_free(struct block_builder *builder); /* takes NULL */

/* How many inputs scans have from now on. Only while no block is open. 0 or -ENOMEM. */
int block_builder_set_inputs(struct block_builder *builder, size_t inputs);

/* Scan 0 of `epoch` comes next. Only while no block is open. */
void block_builder_begin_epoch(struct block_builder *builder, uint32_t epoch);

/*
 * Takes scans (counts[scan * inputs + input]) until the open block holds `limit` of them or is
 * full; returns how many. 0 only where the block must be closed first.
 */
size_t block_builder_append(struct block_builder *builder, const int32_t *counts, size_t scans,
                            size_t limit);

/* Scans in the open block; the number of its first one; and of the one that comes next. */
size_t block_builder_scans(const struct block_builder *builder);
uint64_t block_builder_first(const struct block_builder *builder);
uint64_t block_builder_next(const struct block_builder *builder);

/* The open block's counts[input][scan] from its scan `from` on; valid until the next append. */
const int32_t *const *block_builder_counts(struct block_builder *builder, size_t from);

/*
 * Codes the open block and puts it into the memory ring, after a CLOCK chunk where one is due.
 * 0, also where nothing is open; -ENOMEM: its scans are given up, a LOSS chunk says so where even
 * that can be had.
 */
int block_builder_close(struct block_builder *builder, struct intake_clock *clock);

/*
 * The board's bytes wait: blocks are coded with the fast effort until said otherwise. The memory
 * ring's fill above a half does the same by itself.
 */
void block_builder_hurry(struct block_builder *builder, bool hurry);

/* How many blocks were closed, and how many of them with the fast effort. */
void block_builder_count(const struct block_builder *builder, uint64_t *blocks, uint64_t *fast);

/* Puts a LOSS where the stream stands (no open block) and passes over `scans` scans, where their
 * number is known. */
void block_builder_lose(struct block_builder *builder, const struct intake_clock *clock,
                        uint64_t scans, const char *reason);

#endif
