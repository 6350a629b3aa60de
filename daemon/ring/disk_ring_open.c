// SPDX-License-Identifier: Apache-2.0
/*
 * disk_ring_open.c - taking a folder over: its lock, and what earlier runs have left in it.
 */
#include "disk_ring_parts.h"

#include "catalogue.h"
#include "monotonic.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

/* Recovery scans at least so many of the newest segments whole. */
#define SCAN_NEWEST 2

/* A block is written at most so much later than one of another stream of the same time. */
#define LATE_NS 60000000000

/* So many records of segments that are gone may stand in the catalogue, beside one of each. */
#define CATALOGUE_STALE 64

static int take_lock(struct disk_ring *ring) {
    ring->lock_file = openat(ring->folder_file, "lock", O_RDWR | O_CREAT | O_CLOEXEC, 0644);
    if (ring->lock_file < 0)
        return -errno;
    if (flock(ring->lock_file, LOCK_EX | LOCK_NB) < 0)
        return errno == EWOULDBLOCK ? -EBUSY : -errno;
    return 0;
}

/* ---- what another version of the program has left ---- */

#define SET_ASIDE_MAX 1000 /* folders, one of each opening that found something */

static int make_set_aside(struct disk_ring *ring) {
    char *path = NULL;
    for (int i = 1; i <= SET_ASIDE_MAX; i++) {
        int length = i == 1 ? asprintf(&path, "%s-set-aside", ring->folder)
                            : asprintf(&path, "%s-set-aside-%d", ring->folder, i);
        if (length < 0)
            return -ENOMEM;
        if (mkdir(path, 0755) == 0) {
            ring->set_aside = path;
            return 0;
        }
        free(path);
        if (errno != EEXIST)
            return -errno;
    }
    return -EEXIST;
}

/* Moves a segment out of the ring. Where that cannot be done it stays, and does not count. */
static bool set_aside(struct disk_ring *ring, uint64_t number) {
    char name[SEGMENT_NAME_MAX];
    if (!ring->set_aside)
        (void)make_set_aside(ring);
    int to = ring->set_aside ? open(ring->set_aside, O_RDONLY | O_DIRECTORY | O_CLOEXEC) : -1;
    if (to < 0)
        return false;
    segment_name(number, name);
    bool moved = renameat(ring->folder_file, name, to, name) == 0;
    close(to);
    return moved;
}

/* Leaves in the list what is ours. Files with our names that are not keep their numbers. Of what
 * the catalogue does not have, the first chunks and the INDEX are read. */
static void sort_out_foreign(struct disk_ring *ring, struct disk_ring_found *found) {
    size_t ours = 0;
    /* Another version may have kept the catalogue just so: then it says nothing of what is in them.
     */
    bool known = ring->count &&
                 !segment_is_of_another_version(ring->folder, ring->list[ring->count - 1].number);
    for (size_t i = 0; i < ring->count; i++) {
        struct segment segment = ring->list[i];
        ring->next_number = segment.number + 1;
        segment.catalogued = segment.catalogued && known;
        if (!segment.catalogued && !segment_peek(ring->folder, &segment)) {
            if (segment_is_of_another_version(ring->folder, segment.number))
                found->set_aside += set_aside(ring, segment.number);
            continue;
        }
        if (!segment.catalogued)
            segment_find_index(ring->folder, &segment);
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
        struct segment *segment = &ring->list[ring->count - 1 - i];
        struct segment_scan scan = {.has_epoch = segment->has_epoch,
                                    .last_epoch = segment->last_epoch};
        /* One that was ended properly and is as long as it was then has no torn end. */
        bool known = segment->catalogued && segment->has_epoch;
        if (!known && segment_scan(ring->folder, segment, &scan) < 0) {
            found->damaged++; /* not even readable */
            continue;
        }
        if (scan.damaged)
            segment->index_at = 0; /* never catalogued: told again the next time */
        found->damaged += scan.damaged;
        found->damaged_bytes += scan.damaged_bytes;
        if (scan.has_epoch && scan.last_epoch > found->last_epoch)
            found->last_epoch = scan.last_epoch;
        has_epoch |= scan.has_epoch;
    }
    found->segments = ring->count;
}

/* Those that the catalogue did not have: their epochs were not looked for, so they stay open. */
static void rebuild_catalogue(struct disk_ring *ring) {
    bool changed = false;
    for (size_t i = 0; i < ring->count; i++) {
        struct segment *segment = &ring->list[i];
        if (segment->catalogued || !segment->index_at)
            continue;
        segment->catalogued = true;
        segment->has_epoch = false;
        changed = true;
    }
    if (changed)
        (void)catalogue_write(ring->folder_file, ring->list, ring->count);
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
    if (error)
        return error;
    ring->room = ring->count;
    size_t records = catalogue_read(ring->folder_file, ring->list, ring->count);
    if (records > 2 * ring->count + CATALOGUE_STALE)
        (void)catalogue_write(ring->folder_file, ring->list, ring->count);
    return 0;
}

const char *disk_ring_set_aside(const struct disk_ring *ring) {
    return ring->set_aside;
}

int disk_ring_open(const char *folder, const struct disk_ring_settings *settings,
                   struct disk_ring_found *found, struct disk_ring **ring) {
    struct disk_ring *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    pthread_mutex_init(&made->lock, NULL);
    made->opened_ns = monotonic_ns();
    made->folder_file = made->lock_file = -1;
    made->next_number = 1;
    made->settings = *settings;
    made->settings.segment_bytes = segment_size(settings);
    int error = outline_new(&made->outline);
    if (!error)
        error = open_folder(made, folder);
    if (error) {
        disk_ring_close(made);
        return error;
    }
    struct disk_ring_found what = {0};
    sort_out_foreign(made, &what);
    scan_newest(made, &what);
    estimate_ends(made);
    rebuild_catalogue(made);
    disk_ring_prune_to_bound(made, 0);
    *found = what;
    *ring = made;
    return 0;
}
