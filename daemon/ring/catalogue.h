// SPDX-License-Identifier: Apache-2.0
/*
 * catalogue.h - the file `catalogue` in a ring's folder: a record of each segment that was ended
 * properly, so that a ring opens without a look into every segment. A hint: what it does not have,
 * or has for a file of another size, is found in the segments. Used by the ring only.
 */
#ifndef CRANKTRAP_CATALOGUE_H
#define CRANKTRAP_CATALOGUE_H

#include "segments.h"

/*
 * Fills in what is known of each segment of the list (in order of their numbers; .catalogued says
 * of which). Returns how many records the file holds; 0 where it cannot be read.
 */
size_t catalogue_read(int folder_file, struct segment *segments, size_t count);

/*
 * The segments of the folder (in order of their numbers; free `*segments`) with what the catalogue
 * or a look at their first chunks tells of each; those that are not ours are left out. Beside a
 * writer too. 0 or a negative errno.
 */
int segments_known(const char *folder, struct segment **segments, size_t *count);

/* Appends a record of a segment that was ended. Not synced. 0 or a negative errno. */
int catalogue_add(int folder_file, const struct segment *segment);

/* Writes the file anew, with the catalogued segments of the list. 0 or a negative errno. */
int catalogue_write(int folder_file, const struct segment *segments, size_t count);

#endif
