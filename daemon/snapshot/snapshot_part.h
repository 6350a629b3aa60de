// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_part.h - a snapshot that an earlier process did not finish. Private to snapshot.
 */
#ifndef CRANKTRAP_SNAPSHOT_PART_H
#define CRANKTRAP_SNAPSHOT_PART_H

#include "disk_ring.h"
#include "snapshot_note.h"

#include <stddef.h>

struct snapshot_part;

/*
 * Sets the files of unfinished snapshots apart from those that are going to be written: .part
 * becomes .part.old. Their numbers, rising; free it. 0 or a negative errno.
 */
int snapshot_part_find(const char *folder, unsigned **numbers, size_t *count);

/*
 * Reads what the file was to be, and pins what the ring still has of it. 0; -EBADMSG where the
 * file does not tell (it is then kept aside as .part.unreadable); or another negative errno.
 */
int snapshot_part_open(const char *folder, unsigned number, struct disk_ring *ring,
                       struct snapshot_part **part);
void snapshot_part_free(struct snapshot_part *part); /* takes NULL */

/* What it was to be; belongs to the part. */
const struct snapshot_note *snapshot_part_note(const struct snapshot_part *part);

/*
 * Writes it anew from what its file and the ring have, cut short unless that reaches its end, and
 * removes the old file. 0 or a negative errno: the old file is then still there.
 */
int snapshot_part_finish(struct snapshot_part *part);

#endif
