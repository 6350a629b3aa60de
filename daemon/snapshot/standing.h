// SPDX-License-Identifier: Apache-2.0
/*
 * standing.h - which snapshots may go when the quota is used up, and in which order.
 *
 * Reviewed and clean ones first, then clean ones, then reviewed ones; of each the oldest first.
 * Never one that is held or good, nor one with a fault or a failed attempt that nobody has
 * reviewed. Clean: its report says nothing-found, and no attempt of it failed. Without a report
 * nobody knows: it is not clean.
 */
#ifndef CRANKTRAP_STANDING_H
#define CRANKTRAP_STANDING_H

#include <stdbool.h>

enum standing {
    STANDING_REVIEWED_CLEAN, /* goes first */
    STANDING_CLEAN,
    STANDING_REVIEWED, /* goes last */
    STANDING_UNREVIEWED,
    STANDING_HELD, /* also: what was said of it cannot be read */
    STANDING_GOOD,
};

/* The standing of a snapshot of a folder. Reads its report and what was said of it. */
enum standing standing_of(const char *folder, unsigned number);

/* It may be deleted. */
bool standing_may_go(enum standing standing);

/* "reviewed and clean", "clean", "reviewed", "not reviewed", "held", "good". */
const char *standing_name(enum standing standing);

/* The one that goes next. 0, or -ENOENT where none may go, or another negative errno. */
int standing_next(const char *folder, unsigned *number, enum standing *standing);

/*
 * Deletes a snapshot with its report and what was said of it. 0; -EPERM where it may not go;
 * -ENOENT where there is none; or another negative errno.
 */
int standing_remove(const char *folder, unsigned number);

#endif
