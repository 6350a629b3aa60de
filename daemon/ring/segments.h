// SPDX-License-Identifier: Apache-2.0
/*
 * segments.h - the files 00000001.ring, 00000002.ring, ... of a ring's folder, from outside.
 * Used by the disk ring and its reader only.
 */
#ifndef CRANKTRAP_SEGMENTS_H
#define CRANKTRAP_SEGMENTS_H

#include "chunk.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SEGMENT_NAME_MAX 24
#define SEGMENT_READ     65536 /* bytes, where many chunks are wanted */

struct segment {
    uint64_t number;
    uint64_t bytes;
    unsigned pins;
    bool boot_known;
    uint8_t boot[16];       /* which the times below count from */
    int64_t from_ns, to_ns; /* of its blocks and marks; from_ns > to_ns: none */
    bool has_epoch;
    uint32_t last_epoch; /* the highest, where it has one */
    uint64_t index_at;   /* offset of its INDEX chunk; 0: not known, or there is none */
    bool catalogued;     /* the catalogue had all of this: the segment was ended properly */
};

/* What a whole scan of a segment has found. */
struct segment_scan {
    bool has_epoch;
    uint32_t last_epoch;
    bool damaged; /* or torn at its end */
    uint64_t damaged_bytes;
};

/* "00000001.ring" into `name` (SEGMENT_NAME_MAX bytes). */
void segment_name(uint64_t number, char *name);

/* The number in the last part of a path, 0 where that is no segment's name. */
uint64_t segment_number(const char *path);

/* An empty segment of that number. */
struct segment segment_new(uint64_t number);

/* Widens the segment's times by a chunk written into it. */
void segment_note(struct segment *segment, const struct chunk *chunk);

/*
 * All segments of the folder in order of their numbers (free `*segments`); number and bytes are
 * filled. Files with other names do not count. 0 or a negative errno.
 */
int segments_find(const char *folder, struct segment **segments, size_t *count);

/*
 * Reads the first chunks of the segment: boot and from_ns (to_ns becomes INT64_MAX). Returns false
 * where the file is not ours, or is of a newer format: to be left alone.
 */
bool segment_peek(const char *folder, struct segment *segment);

/* Does it begin with the sound header of another version of the format? */
bool segment_is_of_another_version(const char *folder, uint64_t number);

/* Reads the whole segment: exact times, highest epoch, damage. 0 or a negative errno. */
int segment_scan(const char *folder, struct segment *segment, struct segment_scan *scan);

/*
 * The chunk at `offset` of an open segment into `*bytes` (grown to `*room` as needed, the caller's
 * to free); `chunk` points there. Returns its length, 0 at the end of the file or at damage.
 */
size_t segment_read_chunk(int file, uint64_t offset, uint8_t **bytes, size_t *room,
                          struct chunk *chunk);

/*
 * The chunks from `offset` on, none beyond `end`, as many as one read of SEGMENT_READ bytes gives
 * whole, at least one. Only their headers are looked at. Returns their bytes together, 0 as above.
 */
size_t segment_read_chunks(int file, uint64_t offset, uint64_t end, uint8_t **bytes, size_t *room);

/* Looks for the INDEX chunk at the end of the segment: `index_at`, and the exact times. */
void segment_find_index(const char *folder, struct segment *segment);

/* folder/name, allocated; NULL without memory. */
char *segment_path(const char *folder, uint64_t number);

#endif
