// SPDX-License-Identifier: Apache-2.0
/*
 * disk_ring.c - appending to segments, pruning them, and getting over write errors.
 *
 * Only the writer's thread touches files. The lock guards the list of segments and the counters,
 * and is never held over a file operation, so that whoever asks for a list does not wait for a
 * disk.
 */
#include "disk_ring_parts.h"

#include "catalogue.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#define KEPT_MAX (4u << 20) /* unsynced bytes: beyond, sync early */

/* ---- making room ---- */

static uint64_t free_bytes(const struct disk_ring *ring) {
    struct statvfs facts;
    if (fstatvfs(ring->folder_file, &facts) < 0)
        return UINT64_MAX; /* cannot be told: only the ring's own bound holds */
    return (uint64_t)facts.f_bavail * facts.f_frsize;
}

static void remove_file(const struct disk_ring *ring, uint64_t number) {
    char name[SEGMENT_NAME_MAX];
    segment_name(number, name);
    unlinkat(ring->folder_file, name, 0);
}

/* Takes list[index] off the list; under the lock. */
static void forget_segment(struct disk_ring *ring, size_t index) {
    ring->state.bytes -= ring->list[index].bytes;
    ring->count--;
    memmove(&ring->list[index], &ring->list[index + 1],
            (ring->count - index) * sizeof ring->list[0]);
}

/* Removes the oldest segment that nobody has pinned, not the open one; false where none is. */
static bool prune_one(struct disk_ring *ring) {
    uint64_t number = 0;
    pthread_mutex_lock(&ring->lock);
    size_t closed = ring->count - ring->appending;
    for (size_t i = 0; i < closed; i++) {
        if (ring->list[i].pins)
            continue;
        number = ring->list[i].number;
        forget_segment(ring, i);
        ring->state.segments_pruned++;
        break;
    }
    if (!number && closed)
        ring->state.bound_exceeded++;
    pthread_mutex_unlock(&ring->lock);
    if (number)
        remove_file(ring, number);
    return number != 0;
}

void disk_ring_prune_to_bound(struct disk_ring *ring, uint64_t more) {
    /* Only this thread changes the sum: it may be read without the lock. */
    while (ring->state.bytes + more > ring->settings.bytes && prune_one(ring))
        ;
}

/* The file system's free space: `more` bytes beyond what is to stay free. */
static void prune_to_free(struct disk_ring *ring, uint64_t more) {
    uint64_t left;
    uint64_t pruned = 0;
    while ((left = free_bytes(ring)) < more && prune_one(ring))
        pruned++;
    pthread_mutex_lock(&ring->lock);
    ring->state.pruned_for_space += pruned;
    if (left != UINT64_MAX)
        ring->state.free_bytes = left;
    pthread_mutex_unlock(&ring->lock);
}

/* ---- segments ---- */

static void note_error(struct disk_ring *ring, int error) {
    pthread_mutex_lock(&ring->lock);
    ring->state.last_error = error;
    pthread_mutex_unlock(&ring->lock);
}

/* Sets the size of the open segment; notes a chunk's times, if one is given. */
static void note_written(struct disk_ring *ring, const struct chunk *chunk) {
    uint64_t size = container_size(ring->segment);
    pthread_mutex_lock(&ring->lock);
    struct segment *last = &ring->list[ring->count - 1];
    ring->state.bytes += size - last->bytes;
    ring->state.bytes_written += size - last->bytes;
    last->bytes = size;
    if (chunk) {
        size_t inputs;
        segment_note(last, chunk);
        if (chunk_block_inputs(chunk, &inputs) == 0)
            ring->state.samples_written += (uint64_t)chunk->scans * inputs;
    }
    if (last->boot_known) {
        memcpy(ring->boot, last->boot, sizeof ring->boot);
        ring->boot_known = true;
    }
    pthread_mutex_unlock(&ring->lock);
}

static int list_segment(struct disk_ring *ring, uint64_t number) {
    int error = 0;
    pthread_mutex_lock(&ring->lock);
    if (ring->count == ring->room) {
        size_t room = ring->room ? 2 * ring->room : 64;
        struct segment *more = reallocarray(ring->list, room, sizeof *more);
        if (more) {
            ring->list = more;
            ring->room = room;
        } else {
            error = -ENOMEM;
        }
    }
    if (!error) {
        ring->list[ring->count++] = segment_new(number);
        ring->appending = true;
    }
    pthread_mutex_unlock(&ring->lock);
    return error;
}

/* Bytes that closing a segment properly appends: the head once more, and END. */
static uint64_t closing_bytes(const struct disk_ring *ring) {
    return strlen(ring->head) + 2 * CHUNK_FRONT_MAX;
}

/* The file's size, with what closing it or a torn write has left; 0 where it cannot be told. */
static uint64_t file_size(const struct disk_ring *ring, uint64_t number) {
    char name[SEGMENT_NAME_MAX];
    struct stat facts;
    segment_name(number, name);
    return fstatat(ring->folder_file, name, &facts, 0) < 0 ? 0 : (uint64_t)facts.st_size;
}

/* The segment was closed and is no longer written to; where `remove` and nobody reads it, it
 * goes. */
static void leave_segment(struct disk_ring *ring, bool remove) {
    /* Only this thread changes the list: it may be read without the lock. */
    uint64_t number = ring->list[ring->count - 1].number;
    uint64_t size = file_size(ring, number);
    pthread_mutex_lock(&ring->lock);
    struct segment *last = &ring->list[ring->count - 1];
    remove = remove && !last->pins;
    ring->appending = false;
    ring->state.bytes += size - last->bytes;
    if (size > last->bytes)
        ring->state.bytes_written += size - last->bytes;
    last->bytes = size;
    if (remove)
        forget_segment(ring, ring->count - 1);
    pthread_mutex_unlock(&ring->lock);
    if (remove)
        remove_file(ring, number);
    ring->segment = NULL;
}

static void count_abandoned(struct disk_ring *ring) {
    ring->kept.written = 0;
    pthread_mutex_lock(&ring->lock);
    ring->state.segments_abandoned++;
    pthread_mutex_unlock(&ring->lock);
}

/* After a write error. All that it holds and that is not yet durable is to be written again. */
static void abandon_segment(struct disk_ring *ring) {
    if (!ring->segment)
        return;
    container_close(ring->segment, false);
    leave_segment(ring, !ring->segment_durable);
    count_abandoned(ring);
}

/* Appends to the open segment, and notes that it was. */
static int append_chunk(struct disk_ring *ring, const struct chunk *chunk) {
    uint64_t offset = container_size(ring->segment);
    int error = container_append(ring->segment, chunk);
    if (error)
        return error;
    note_written(ring, chunk);
    outline_wrote(ring->outline, offset, chunk);
    return 0;
}

/* A new segment with head and clocks. */
static int begin_segment(struct disk_ring *ring) {
    uint64_t due = 2 * closing_bytes(ring) + ring->kept.bytes;
    disk_ring_prune_to_bound(ring, due);
    prune_to_free(ring, ring->settings.keep_free_bytes + due);
    uint64_t number = ring->next_number;
    char *path = segment_path(ring->folder, number);
    if (!path)
        return -ENOMEM;
    int error = container_create(path, ring->head, &ring->segment);
    free(path);
    if (error == -EEXIST)
        ring->next_number++; /* something foreign has that name: the next try passes it by */
    else if (error)
        remove_file(ring, number);
    if (error)
        return error;
    error = list_segment(ring, number);
    if (error) {
        container_close(ring->segment, false);
        ring->segment = NULL;
        remove_file(ring, number);
        return error;
    }
    ring->next_number++;
    ring->segment_durable = false;
    note_written(ring, NULL);
    outline_begin(ring->outline);
    for (size_t i = 0; !error && i < ring->kept.clock_count; i++)
        error = append_chunk(ring, &ring->kept.clock[i]);
    ring->segment_begun = container_size(ring->segment);
    return error;
}

/* The summaries that are full, or (`last`) all that are left. */
static int write_summaries(struct disk_ring *ring, bool last) {
    int error = 0;
    struct chunk chunk = {0};
    while (!error && outline_take(ring->outline, last, &chunk)) {
        disk_ring_prune_to_bound(ring, chunk.length + closing_bytes(ring));
        error = append_chunk(ring, &chunk);
        chunk_done(&chunk);
    }
    return error;
}

/* The summaries that are left, and where what stands; `*index_at` 0 where that is not told. */
static int write_outline(struct disk_ring *ring, uint64_t *index_at) {
    struct chunk chunk = {0};
    *index_at = 0;
    int error = write_summaries(ring, true);
    if (error || outline_index(ring->outline, &chunk) < 0)
        return error;
    disk_ring_prune_to_bound(ring, chunk.length + closing_bytes(ring));
    uint64_t offset = container_size(ring->segment);
    error = append_chunk(ring, &chunk);
    chunk_done(&chunk);
    if (!error)
        *index_at = offset;
    return error;
}

/* Closes a full segment properly, and catalogues it. */
static int end_segment(struct disk_ring *ring) {
    uint64_t index_at;
    int error = write_outline(ring, &index_at);
    int closed = container_close(ring->segment, !error);
    error = error ? error : closed;
    struct segment *segment = &ring->list[ring->count - 1];
    pthread_mutex_lock(&ring->lock);
    segment->index_at = index_at;
    segment->catalogued = !error;
    pthread_mutex_unlock(&ring->lock);
    leave_segment(ring, false);
    if (error)
        count_abandoned(ring);
    else
        kept_release(&ring->kept);
    if (!error) /* a hint: the ring does without */
        (void)catalogue_add(ring->folder_file, segment);
    return error;
}

/* ---- writing ---- */

/* Writes the kept chunks that are not yet in a segment. */
static int write_kept(struct disk_ring *ring) {
    struct kept *kept = &ring->kept;
    if (ring->segment &&
        container_size(ring->segment) - ring->segment_begun >= ring->settings.segment_bytes) {
        int error = end_segment(ring);
        if (error)
            return error;
    }
    if (!ring->segment) {
        int error = begin_segment(ring);
        if (error)
            return error;
    }
    while (kept->written < kept->count) {
        const struct chunk *chunk = &kept->chunk[kept->written];
        disk_ring_prune_to_bound(ring, chunk->length + closing_bytes(ring));
        int error = append_chunk(ring, chunk);
        if (error)
            return error;
        kept->written++;
        error = write_summaries(ring, false);
        if (error)
            return error;
    }
    return 0;
}

static int sync_segment(struct disk_ring *ring) {
    int error = container_sync(ring->segment);
    if (error)
        return error;
    ring->segment_durable = true;
    kept_release(&ring->kept);
    pthread_mutex_lock(&ring->lock);
    ring->state.syncs++;
    pthread_mutex_unlock(&ring->lock);
    prune_to_free(ring, ring->settings.keep_free_bytes);
    return 0;
}

/* Writes, and with `sync` makes durable; after an error once more into a new segment. */
static int write_through(struct disk_ring *ring, bool sync) {
    int error = 0;
    for (int attempt = 0; attempt < 2; attempt++) {
        error = write_kept(ring);
        if (!error && sync)
            error = sync_segment(ring);
        if (!error)
            break;
        abandon_segment(ring);
        if (error == -ENOSPC || error == -EDQUOT) {
            /* Also where `keep_free_bytes` is met: root's reserve or a quota may be the limit. */
            prune_one(ring);
            prune_to_free(ring, ring->kept.bytes + SEGMENT_MIN);
        }
    }
    note_error(ring, error);
    return error;
}

/* The head that segments begin with from now on; takes `head` over. */
static void change_head(struct disk_ring *ring, char *head) {
    free(ring->head);
    ring->head = head;
}

int disk_ring_set_head(struct disk_ring *ring, const char *head_json) {
    if (ring->segment) {
        struct chunk chunk = {0};
        int error = chunk_text(&chunk, CHUNK_HEAD, head_json, 0);
        if (!error)
            error = disk_ring_append(ring, &chunk);
        chunk_done(&chunk);
        return error;
    }
    char *head = strdup(head_json);
    if (!head)
        return -ENOMEM;
    change_head(ring, head);
    return 0;
}

/* The text of a HEAD chunk, allocated; NULL for another chunk. */
static int head_text(const struct chunk *chunk, char **head) {
    const char *json;
    size_t length;
    if (chunk->type != CHUNK_HEAD || chunk_parse_text(chunk, &json, &length) < 0)
        return 0;
    *head = strndup(json, length);
    return *head ? 0 : -ENOMEM;
}

static int append_kept(struct disk_ring *ring, const struct chunk *chunk) {
    int error = kept_add(&ring->kept, chunk);
    if (error)
        return error;
    error = write_through(ring, false);
    if (error)
        kept_take_back(&ring->kept);
    return error;
}

int disk_ring_append(struct disk_ring *ring, const struct chunk *chunk) {
    char *head = NULL;
    int error = head_text(chunk, &head);
    if (!error && !ring->head)
        error = -EINVAL;
    if (!error && ring->kept.count && ring->kept.bytes + chunk->length > KEPT_MAX)
        error = write_through(ring, true);
    if (!error)
        error = append_kept(ring, chunk);
    if (error)
        free(head);
    else if (head)
        change_head(ring, head);
    return error;
}

void disk_ring_drop(struct disk_ring *ring, const struct chunk *chunk) {
    pthread_mutex_lock(&ring->lock);
    ring->state.chunks_dropped++;
    ring->state.scans_dropped += chunk->scans;
    pthread_mutex_unlock(&ring->lock);
}

int disk_ring_sync(struct disk_ring *ring) {
    return ring->kept.count ? write_through(ring, true) : 0;
}

void disk_ring_close(struct disk_ring *ring) {
    if (!ring)
        return;
    if (disk_ring_sync(ring) == 0 && ring->segment)
        end_segment(ring);
    abandon_segment(ring);
    free(ring->set_aside);
    free(ring->folder);
    free(ring->head);
    kept_done(&ring->kept);
    outline_free(ring->outline);
    free(ring->list);
    if (ring->folder_file >= 0)
        close(ring->folder_file);
    if (ring->lock_file >= 0)
        close(ring->lock_file); /* gives the lock back */
    pthread_mutex_destroy(&ring->lock);
    free(ring);
}
