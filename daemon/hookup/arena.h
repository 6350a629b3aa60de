// SPDX-License-Identifier: Apache-2.0
/*
 * arena.h - memory that is taken piece by piece and freed all at once. Internal to hookup.
 */
#ifndef CRANKTRAP_ARENA_H
#define CRANKTRAP_ARENA_H

#include <stddef.h>

struct arena_piece;

/* Begin with all zeros. */
struct arena {
    struct arena_piece *newest;
};

/* `size` zeroed bytes, aligned for anything, valid until arena_clear; NULL without memory. */
void *arena_take(struct arena *arena, size_t size);

/* A copy of the text with a 0 at its end; NULL without memory. */
char *arena_text(struct arena *arena, const char *text, size_t length);

/* Frees everything taken. */
void arena_clear(struct arena *arena);

#endif
