// SPDX-License-Identifier: Apache-2.0
/*
 * kept.h - copies of the chunks that a segment holds but that are not yet durable, so that they
 * can be written again into another one; and of each stream's latest durable clock, which every
 * segment begins with. Used by the disk ring only; one thread.
 */
#ifndef CRANKTRAP_KEPT_H
#define CRANKTRAP_KEPT_H

#include "chunk.h"

#include <stddef.h>
#include <stdint.h>

struct kept {
    size_t count;
    struct chunk *chunk;
    size_t written; /* so many of them are in the present segment */
    uint64_t bytes;

    /* Each stream's latest clock before the first chunk above. */
    size_t clock_count;
    struct chunk *clock;

    size_t room, clock_room;
};

/* Adds a copy. 0 or -ENOMEM. */
int kept_add(struct kept *kept, const struct chunk *chunk);

/* Takes the last one away again. */
void kept_take_back(struct kept *kept);

/* The written ones are durable: forgets them, but remembers their clocks. */
void kept_release(struct kept *kept);

/* Frees all; takes NULL. */
void kept_done(struct kept *kept);

#endif
