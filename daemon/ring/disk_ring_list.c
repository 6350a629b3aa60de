// SPDX-License-Identifier: Apache-2.0
/*
 * disk_ring_list.c - lists of segments for readers, pinned or not, and the ring's state.
 */
#include "disk_ring_parts.h"

#include "catalogue.h"
#include "monotonic.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

static bool in_stretch(const struct disk_ring *ring, const struct segment *segment, int64_t from_ns,
                       int64_t to_ns) {
    bool other_boot = ring->boot_known && segment->boot_known &&
                      memcmp(ring->boot, segment->boot, sizeof ring->boot) != 0;
    return !other_boot && segment->from_ns <= to_ns && segment->to_ns >= from_ns;
}

static int pin(struct disk_ring *ring, bool all, int64_t from_ns, int64_t to_ns,
               struct disk_ring_list *list) {
    struct disk_ring_list made = {0};
    int error = 0;
    pthread_mutex_lock(&ring->lock);
    made.path = calloc(ring->count + 1, sizeof *made.path);
    if (!made.path)
        error = -ENOMEM;
    for (size_t i = 0; !error && i < ring->count; i++) {
        if (!all && !in_stretch(ring, &ring->list[i], from_ns, to_ns))
            continue;
        char *path = segment_path(ring->folder, ring->list[i].number);
        if (path) {
            made.path[made.count++] = path;
            ring->list[i].pins++;
        } else {
            error = -ENOMEM;
        }
    }
    pthread_mutex_unlock(&ring->lock);
    if (error)
        disk_ring_unpin(ring, &made);
    else
        *list = made;
    return error;
}

int disk_ring_pin(struct disk_ring *ring, struct disk_ring_list *list) {
    return pin(ring, true, 0, 0, list);
}

int disk_ring_pin_stretch(struct disk_ring *ring, int64_t from_ns, int64_t to_ns,
                          struct disk_ring_list *list) {
    return pin(ring, false, from_ns, to_ns, list);
}

void disk_ring_unpin(struct disk_ring *ring, struct disk_ring_list *list) {
    if (!list)
        return;
    pthread_mutex_lock(&ring->lock);
    for (size_t i = 0, at = 0; i < list->count; i++) {
        /* Both lists go from the oldest on; a pinned segment is still in the ring's. */
        uint64_t number = segment_number(list->path[i]);
        while (at < ring->count && ring->list[at].number < number)
            at++;
        if (at < ring->count && ring->list[at].number == number && ring->list[at].pins)
            ring->list[at].pins--;
    }
    pthread_mutex_unlock(&ring->lock);
    disk_ring_list_done(list);
}

struct disk_ring_state disk_ring_state(struct disk_ring *ring) {
    pthread_mutex_lock(&ring->lock);
    struct disk_ring_state state = ring->state;
    state.segments = ring->count;
    state.open_s = (double)(monotonic_ns() - ring->opened_ns) * 1e-9;
    for (size_t i = 0; i < ring->count; i++) {
        const struct segment *segment = &ring->list[i];
        state.pinned += segment->pins > 0;
        bool this_boot = ring->boot_known && segment->boot_known &&
                         !memcmp(ring->boot, segment->boot, sizeof ring->boot);
        if (this_boot && segment->from_ns != INT64_MAX &&
            (!state.oldest_ns || segment->from_ns < state.oldest_ns))
            state.oldest_ns = segment->from_ns;
    }
    pthread_mutex_unlock(&ring->lock);
    return state;
}

int disk_ring_list_folder(const char *folder, struct disk_ring_list *list) {
    struct segment *segments;
    size_t count;
    int error = segments_known(folder, &segments, &count);
    if (error)
        return error;
    struct disk_ring_list made = {.path = calloc(count + 1, sizeof *made.path)};
    if (!made.path)
        error = -ENOMEM;
    for (size_t i = 0; !error && i < count; i++) {
        char *path = segment_path(folder, segments[i].number);
        if (path)
            made.path[made.count++] = path;
        else
            error = -ENOMEM;
    }
    free(segments);
    if (error)
        disk_ring_list_done(&made);
    else
        *list = made;
    return error;
}

void disk_ring_list_done(struct disk_ring_list *list) {
    if (!list)
        return;
    for (size_t i = 0; i < list->count; i++)
        free(list->path[i]);
    free(list->path);
    *list = (struct disk_ring_list){0};
}
