// SPDX-License-Identifier: Apache-2.0
/*
 * disk_ring_open.c - taking a folder over: its lock, and what earlier runs have left in it.
 */
#include "disk_ring_parts.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

/* Recovery scans at least so many of the newest segments whole. */
#define SCAN_NEWEST 2

/* A block is written at most so much later than one of another stream of the same time. */
#define LATE_NS 60000000000

static int take_lock(struct disk_ring *ring) {
    ring->lock_file = openat(ring->folder_file, "lock", O_RDWR | O_CREAT | O_CLOEXEC, 0644);
    if (ring->lock_file < 0)
        return -errno;
    if (flock(ring->lock_file, LOCK_EX | LOCK_NB) < 0)
        return errno == EWOULDBLOCK ? -EBUSY : -errno;
    return 0;
}

/* Leaves in the list what is ours. Files with our names that are not keep their numbers. */
static void sort_out_foreign(struct disk_ring *ring) {
    size_t ours = 0;
    for (size_t i = 0; i < ring->count; i++) {
        struct segment segment = ring->list[i];
        ring->next_number = segment.number + 1;
        if (segment_peek(ring->folder, &segment))
            ring->list[ours++] = segment;
    }
    ring->count = ours;
    for (size_t i = 0; i < ours; i++)
        ring->state.bytes += ring->list[i].bytes;
}

/* A segment that was not scanned ends at about the time the next one begins. */
static void estimate_ends(struct disk_ring *ring) {
    for (size_t i = 0; i + 1 < ring->count; i++) {
        struct segment *segment = &ring->list[i];
        const struct segment *next = &ring->list[i + 1];
        bool same_boot = segment->boot_known && next->boot_known &&
                         !memcmp(segment->boot, next->boot, sizeof segment->boot);
        if (segment->to_ns == INT64_MAX && same_boot && next->from_ns < INT64_MAX - LATE_NS)
            segment->to_ns = next->from_ns + LATE_NS;
    }
}

static void scan_newest(struct disk_ring *ring, struct disk_ring_found *found) {
    bool has_epoch = false;
    for (size_t i = 0; i < ring->count && (i < SCAN_NEWEST || !has_epoch); i++) {
        struct segment_scan scan;
        if (segment_scan(ring->folder, &ring->list[ring->count - 1 - i], &scan) < 0) {
            found->damaged++; /* not even readable */
            continue;
        }
        found->damaged += scan.damaged;
        found->damaged_bytes += scan.damaged_bytes;
        if (scan.has_epoch && scan.last_epoch > found->last_epoch)
            found->last_epoch = scan.last_epoch;
        has_epoch |= scan.has_epoch;
    }
    found->segments = ring->count;
}

static uint64_t segment_size(const struct disk_ring_settings *settings) {
    uint64_t size = settings->segment_bytes;
    if (!size) {
        size = settings->bytes / 64;
        size = size < SEGMENT_MIN ? SEGMENT_MIN : size;
        size = size > SEGMENT_MAX ? SEGMENT_MAX : size;
    }
    /* At least two fit: what is pruned is never all there is. */
    return size > settings->bytes / 2 ? settings->bytes / 2 : size;
}

static int open_folder(struct disk_ring *ring, const char *folder) {
    ring->folder = strdup(folder);
    if (!ring->folder)
        return -ENOMEM;
    if (mkdir(folder, 0755) < 0 && errno != EEXIST)
        return -errno;
    ring->folder_file = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (ring->folder_file < 0)
        return -errno;
    int error = take_lock(ring);
    if (error)
        return error;
    error = segments_find(folder, &ring->list, &ring->count);
    ring->room = ring->count;
    return error;
}

int disk_ring_open(const char *folder, const struct disk_ring_settings *settings,
                   struct disk_ring_found *found, struct disk_ring **ring) {
    struct disk_ring *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    pthread_mutex_init(&made->lock, NULL);
    made->folder_file = made->lock_file = -1;
    made->next_number = 1;
    made->settings = *settings;
    made->settings.segment_bytes = segment_size(settings);
    int error = open_folder(made, folder);
    if (error) {
        disk_ring_close(made);
        return error;
    }
    struct disk_ring_found what = {0};
    sort_out_foreign(made);
    scan_newest(made, &what);
    estimate_ends(made);
    disk_ring_prune_to_bound(made, 0);
    *found = what;
    *ring = made;
    return 0;
}
