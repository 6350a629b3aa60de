// SPDX-License-Identifier: Apache-2.0
/*
 * disk_ring.h - the ring of segments in one folder: 00000001.ring, 00000002.ring, ...
 *
 * One thread appends (the writer); any thread may take a list of segments to read and pin them.
 * Bounded in bytes and in free space left: the oldest unpinned segments go first, whole. Where
 * all are pinned the ring grows beyond its bound and counts that; it never waits.
 *
 * Every segment can be read by itself: it begins with the head and with the latest clock of each
 * stream. The process must ignore SIGXFSZ, or block it in the appending thread (the writer does).
 */
#ifndef CRANKTRAP_DISK_RING_H
#define CRANKTRAP_DISK_RING_H

#include "chunk.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct disk_ring_settings {
    uint64_t bytes;           /* bound of all segments together */
    uint64_t keep_free_bytes; /* of the file system */
    uint64_t segment_bytes;   /* a segment is closed at this size; 0: bytes / 64, 64 KiB..64 MiB */
};

struct disk_ring_state {
    uint64_t bytes;
    size_t segments;
    size_t pinned;
    int64_t oldest_ns; /* elapsed time of the oldest block (of this boot), 0: none */
    uint64_t segments_pruned;
    uint64_t pruned_for_space; /* of them, for what is to stay free of the file system */
    uint64_t free_bytes;       /* of the file system, for us, when last looked at; 0: not yet */
    uint64_t bound_exceeded;   /* times that room was needed and every old segment was pinned */
    uint64_t bytes_written, syncs;
    uint64_t samples_written;    /* in the blocks of them: what it was written for */
    double open_s;               /* real seconds since the ring was opened */
    uint64_t segments_abandoned; /* after a write error; what they held was written again */
    uint64_t chunks_dropped;     /* could not be written anywhere */
    uint64_t scans_dropped;
    int last_error; /* negative errno of the last failed write; 0: none, or recovered */
};

/* What recovery found at opening. */
struct disk_ring_found {
    size_t segments;
    size_t damaged; /* of the newest segments: left as they are; their sound chunks are read */
    uint64_t damaged_bytes;
    uint32_t last_epoch; /* highest epoch in any segment: go on above it */
    size_t set_aside;    /* segments of another version of the format, moved away */
};

struct disk_ring;

/*
 * Opens the folder (made if missing). Old segments stay; of each the first chunks are read, and
 * the newest ones whole (older ones were the newest at an earlier opening: starting takes no
 * longer with a large ring). A dirty last one is left untouched; writing begins a new one. Files
 * that are not ours are left alone and do not count. Segments that another version of the program
 * wrote and this one cannot read are moved, never deleted: into a new folder beside this one, its
 * name with "-set-aside" behind it (and a number, where that exists); they no longer count.
 * The highest epoch is found because each stream's epoch begins with a CLOCK chunk, and each
 * segment with the latest ones.
 * -EBUSY where another process has the folder (flock on its file `lock`).
 */
int disk_ring_open(const char *folder, const struct disk_ring_settings *settings,
                   struct disk_ring_found *found, struct disk_ring **ring);

/* The folder that the opening moved segments into (the ring's; `found` counts them), or NULL. */
const char *disk_ring_set_aside(const struct disk_ring *ring);

/* Takes NULL. Ends the last segment properly. What cannot be written then is dropped. */
void disk_ring_close(struct disk_ring *ring);

/*
 * The head every segment from the next one on begins with (copied); also appended to a segment
 * already begun. Writer thread, or before it starts. Must be set before the first append. Later
 * a HEAD chunk that is appended does the same: put one into the memory ring.
 */
int disk_ring_set_head(struct disk_ring *ring, const char *head_json);

/*
 * Appends; begins a new segment when due; prunes when above the bounds. On a write error the
 * segment is abandoned, and what it held since the last sync is written again into a new one,
 * after pruning. Where that fails too the error is returned and the chunk is not in the ring:
 * append it again later, or give it up with disk_ring_drop(). The next append tries everything
 * again; what earlier appends left unsynced is kept in memory meanwhile.
 * -EINVAL without a head.
 */
int disk_ring_append(struct disk_ring *ring, const struct chunk *chunk);

/* Counts a chunk that is given up. Writer thread. */
void disk_ring_drop(struct disk_ring *ring, const struct chunk *chunk);

/* Makes all appended chunks durable. On an error nothing is lost yet: sync again later. */
int disk_ring_sync(struct disk_ring *ring);

/* Any thread. A list of the segments' paths, oldest first, all pinned until disk_ring_unpin. */
struct disk_ring_list {
    size_t count;
    char **path;
};
int disk_ring_pin(struct disk_ring *ring, struct disk_ring_list *list);

/*
 * The same of those segments only that may hold something of the elapsed times [from_ns, to_ns]
 * of this boot: what a snapshot needs of a large ring. Blocks that are not yet written are in
 * none: flush first.
 */
int disk_ring_pin_stretch(struct disk_ring *ring, int64_t from_ns, int64_t to_ns,
                          struct disk_ring_list *list);

/* Frees the list too. */
void disk_ring_unpin(struct disk_ring *ring, struct disk_ring_list *list);

/* Any thread. How it stands. */
struct disk_ring_state disk_ring_state(struct disk_ring *ring);

/* The segments of a ring folder without opening the ring for writing, oldest first. */
int disk_ring_list_folder(const char *folder, struct disk_ring_list *list);
void disk_ring_list_done(struct disk_ring_list *list);

#endif
