// SPDX-License-Identifier: Apache-2.0
/*
 * kept.c - chunks that may have to be written again.
 */
#include "kept.h"

#include "summary.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

/* Room for one more in a list of chunks. */
static int grow(struct chunk **list, size_t count, size_t *room) {
    if (count < *room)
        return 0;
    size_t wanted = *room ? 2 * *room : 16;
    struct chunk *more = reallocarray(*list, wanted, sizeof **list);
    if (!more)
        return -ENOMEM;
    *list = more;
    *room = wanted;
    return 0;
}

int kept_add(struct kept *kept, const struct chunk *chunk) {
    if (grow(&kept->chunk, kept->count, &kept->room) < 0)
        return -ENOMEM;
    struct chunk copy = *chunk;
    copy.bytes = malloc(chunk->length);
    if (!copy.bytes)
        return -ENOMEM;
    memcpy(copy.bytes, chunk->bytes, chunk->length);
    copy.summary = summary_rows_copy(chunk->summary); /* a hint: none without memory */
    kept->chunk[kept->count++] = copy;
    kept->bytes += copy.length;
    return 0;
}

void kept_take_back(struct kept *kept) {
    kept->count--;
    kept->bytes -= kept->chunk[kept->count].length;
    chunk_done(&kept->chunk[kept->count]);
    if (kept->written > kept->count)
        kept->written = kept->count;
}

/* Takes the clock over as its stream's latest. */
static void remember_clock(struct kept *kept, struct chunk *clock) {
    for (size_t i = 0; i < kept->clock_count; i++) {
        if (kept->clock[i].place.stream == clock->place.stream) {
            chunk_done(&kept->clock[i]);
            kept->clock[i] = *clock;
            return;
        }
    }
    /* Without memory the next segment lacks one clock: its blocks' own estimates stand in. */
    if (grow(&kept->clock, kept->clock_count, &kept->clock_room) < 0)
        chunk_done(clock);
    else
        kept->clock[kept->clock_count++] = *clock;
}

void kept_release(struct kept *kept) {
    for (size_t i = 0; i < kept->written; i++) {
        kept->bytes -= kept->chunk[i].length;
        if (kept->chunk[i].type == CHUNK_CLOCK)
            remember_clock(kept, &kept->chunk[i]);
        else
            chunk_done(&kept->chunk[i]);
    }
    size_t left = kept->count - kept->written;
    if (left)
        memmove(kept->chunk, kept->chunk + kept->written, left * sizeof *kept->chunk);
    kept->count = left;
    kept->written = 0;
}

void kept_done(struct kept *kept) {
    if (!kept)
        return;
    for (size_t i = 0; i < kept->count; i++)
        chunk_done(&kept->chunk[i]);
    for (size_t i = 0; i < kept->clock_count; i++)
        chunk_done(&kept->clock[i]);
    free(kept->chunk);
    free(kept->clock);
    *kept = (struct kept){0};
}
