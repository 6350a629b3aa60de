// SPDX-License-Identifier: Apache-2.0
/*
 * outline.h - what is remembered of the segment being written, so that it can be drawn and looked
 * up without reading it: summaries of its blocks over each span, and where in it what stands.
 * Used by the disk ring only; one thread. All of it is a hint: where memory is short, or a block
 * came without its summary, the segment gets no INDEX, and readers scan it.
 */
#ifndef CRANKTRAP_OUTLINE_H
#define CRANKTRAP_OUTLINE_H

#include "chunk.h"

#include <stdbool.h>
#include <stdint.h>

struct outline;

/* 0 or -ENOMEM. */
int outline_new(struct outline **outline);
void outline_free(struct outline *outline); /* takes NULL */

/* A new segment begins: forgets all. */
void outline_begin(struct outline *outline);

/* `chunk` was written at `offset`. */
void outline_wrote(struct outline *outline, uint64_t offset, const struct chunk *chunk);

/*
 * A SUMMARY chunk that is full and to be written now (chunk_done() it): true. With `last`, also
 * those that are not: the segment ends, and no block follows.
 */
bool outline_take(struct outline *outline, bool last, struct chunk *chunk);

/* The INDEX chunk of all that was written. -ENODATA where there is to be none. */
int outline_index(const struct outline *outline, struct chunk *chunk);

#endif
