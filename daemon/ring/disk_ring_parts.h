// SPDX-License-Identifier: Apache-2.0
/*
 * disk_ring_parts.h - the disk ring's own state, for the files it is made of: disk_ring.c writes,
 * disk_ring_open.c opens and recovers, disk_ring_list.c lists and pins.
 */
#ifndef CRANKTRAP_DISK_RING_PARTS_H
#define CRANKTRAP_DISK_RING_PARTS_H

#include "container.h"
#include "disk_ring.h"
#include "kept.h"
#include "outline.h"
#include "segments.h"

#include <pthread.h>

#define SEGMENT_MIN (64u << 10)
#define SEGMENT_MAX (64u << 20)

struct disk_ring {
    char *folder;
    int folder_file, lock_file;
    char *set_aside; /* the folder with what could not be read; NULL: there was nothing */
    struct disk_ring_settings settings;

    /* The appending thread only. */
    char *head;
    struct container_writer *segment; /* the last of the list; NULL: none is open */
    uint64_t segment_begun;           /* its size with head and clocks alone */
    bool segment_durable;             /* has been synced */
    uint64_t next_number;
    struct kept kept;
    struct outline *outline; /* of the open segment */

    pthread_mutex_t lock; /* for what follows */
    struct segment *list;
    size_t count, room;
    int64_t opened_ns; /* CLOCK_MONOTONIC */
    bool appending;    /* the last of the list is being written */
    bool boot_known;
    uint8_t boot[16];
    struct disk_ring_state state; /* bytes and counters; the rest is worked out when asked for */
};

/* Removes old segments until the ring's own bound holds with `more` bytes to come. */
void disk_ring_prune_to_bound(struct disk_ring *ring, uint64_t more);

#endif
