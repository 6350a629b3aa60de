// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_folder.h - the snapshots' folder: names, numbers, room. Private to snapshot.
 */
#ifndef CRANKTRAP_SNAPSHOT_FOLDER_H
#define CRANKTRAP_SNAPSHOT_FOLDER_H

#include <stddef.h>
#include <stdint.h>

/* Suffixes of a snapshot's file on its way. */
#define SNAPSHOT_SUFFIX     ".crank"
#define SNAPSHOT_PART       ".crank.part"            /* being written */
#define SNAPSHOT_OLD_PART   ".crank.part.old"        /* a restart found it, and finishes it */
#define SNAPSHOT_UNREADABLE ".crank.part.unreadable" /* a restart could make nothing of it */
#define SNAPSHOT_REPORT     ".json"
#define SNAPSHOT_REMARK     ".note" /* what a person said of it */

/* FOLDER/NNNN + suffix, allocated; NULL: no memory. */
char *snapshot_folder_path(const char *folder, unsigned number, const char *suffix);

/* The number of a file's name with exactly this suffix; 0: it is another file. */
unsigned snapshot_folder_number(const char *name, const char *suffix);

/* Numbers of the files with this suffix, rising; free it. 0 or a negative errno. */
int snapshot_folder_numbers(const char *folder, const char *suffix, unsigned **numbers,
                            size_t *count);

/* Bytes of all snapshots, and the highest number ever used. 0 or a negative errno. */
int snapshot_folder_survey(const char *folder, uint64_t *bytes, unsigned *highest);

/* Remembers that this number is used, so that it is not again after its files were deleted. */
int snapshot_folder_use(const char *folder, unsigned number);

/* Bytes that may still be written to the file system; UINT64_MAX where nobody tells. */
uint64_t snapshot_folder_free(const char *folder);

/* Makes names in the folder durable. 0 or a negative errno. */
int snapshot_folder_sync(const char *folder);

#endif
