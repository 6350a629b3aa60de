// SPDX-License-Identifier: Apache-2.0
/*
 * arena.c - memory that is taken piece by piece and freed all at once.
 */
#include "arena.h"

#include <stdalign.h>
#include <stdlib.h>
#include <string.h>

struct arena_piece {
    struct arena_piece *older;
    alignas(max_align_t) unsigned char bytes[];
};

void *arena_take(struct arena *arena, size_t size) {
    struct arena_piece *piece = calloc(1, sizeof *piece + size);
    if (!piece)
        return NULL;
    piece->older = arena->newest;
    arena->newest = piece;
    return piece->bytes;
}

char *arena_text(struct arena *arena, const char *text, size_t length) {
    char *copy = arena_take(arena, length + 1);
    if (copy)
        memcpy(copy, text, length);
    return copy;
}

void arena_clear(struct arena *arena) {
    while (arena->newest) {
        struct arena_piece *piece = arena->newest;
        arena->newest = piece->older;
        free(piece);
    }
}
