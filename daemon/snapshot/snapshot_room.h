// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_room.h - is there room for another snapshot? Private to snapshot: its thread, without
 * the lock.
 */
#ifndef CRANKTRAP_SNAPSHOT_ROOM_H
#define CRANKTRAP_SNAPSHOT_ROOM_H

#include "snapshot_jobs.h"

/* Deletes those that may go until there is room. 0, or -ENOSPC with the reason said. */
int snapshot_room_find(struct snapshots *snapshots);

/* Counts what they take, after one has been written, or not. */
void snapshot_room_count(struct snapshots *snapshots);

#endif
