// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_copy.h - one snapshot's file in the making: takes the ring's chunks one after the
 * other, keeps those of its stretch, and is finished or given up. Private to snapshot; one thread.
 *
 * Kept are whole blocks of every stream that overlap the stretch, the losses in it, the clocks
 * that place them, the heads that explain them, and the marks in it. What the ring holds twice
 * (a segment begun again after a write error) is written once.
 */
#ifndef CRANKTRAP_SNAPSHOT_COPY_H
#define CRANKTRAP_SNAPSHOT_COPY_H

#include "chunk.h"
#include "snapshot_note.h"

#include <stdbool.h>
#include <stdint.h>

struct snapshot_copy;

/* For `note`'s stretch and boot (copied). Makes no file before the first chunk to keep. */
int snapshot_copy_new(const char *folder, const struct snapshot_note *note,
                      struct snapshot_copy **copy);

/* Looks at the next chunk. 0, or a negative errno after which only giving up is left. */
int snapshot_copy_take(struct snapshot_copy *copy, const struct chunk *chunk);

/*
 * The stretch ends later. -ESTALE where chunks that now belong to it were passed over already: the
 * copy must then begin again.
 */
int snapshot_copy_lengthen(struct snapshot_copy *copy, int64_t to_ns);

/* Newest time of a kept block; INT64_MIN: none. */
int64_t snapshot_copy_newest(const struct snapshot_copy *copy);

/*
 * Closes the file, makes it durable, gives it its name. 0; -ENODATA where there is not one block;
 * or a negative errno. Frees nothing.
 */
int snapshot_copy_finish(struct snapshot_copy *copy, bool cut_short);

/* Removes the file where it is not finished. Frees; takes NULL. */
void snapshot_copy_free(struct snapshot_copy *copy);

#endif
