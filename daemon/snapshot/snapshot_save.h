// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_save.h - one snapshot out of the ring into its file. Private to snapshot: its thread,
 * without the lock.
 */
#ifndef CRANKTRAP_SNAPSHOT_SAVE_H
#define CRANKTRAP_SNAPSHOT_SAVE_H

#include "snapshot_jobs.h"

/*
 * Follows the ring until the job's stretch is over, however often it is lengthened meanwhile, and
 * finishes the file. 0, or a negative errno that was said.
 */
int snapshot_save(struct snapshots *snapshots, struct snapshot_job *job);

/* Finishes the part of an earlier process. 0, or a negative errno that was said. */
int snapshot_save_part(struct snapshots *snapshots, struct snapshot_job *job);

#endif
