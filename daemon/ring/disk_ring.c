// SPDX-License-Identifier: Apache-2.0
/*
 * disk_ring.c - appending to segments, pruning them, and getting over write errors.
 *
 * Only the writer's thread touches files. The lock guards the list of segments and the counters,
 * and is never held over a file operation, so that whoever asks for a list does not wait for a
 * disk.
 */
#include "disk_ring.h"

#include "container.h"
#include "kept.h"
#include "segments.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#define SEGMENT_MIN (64u << 10)
#define SEGMENT_MAX (64u << 20)
#define KEPT_MAX    (4u << 20) /* unsynced bytes: beyond, sync early */

/* Recovery scans at least so many of the newest segments whole. */
#define SCAN_NEWEST 2

/* A block is written at most so much later than one of another stream of the same time. */
#define LATE_NS 60000000000

struct disk_ring {
    char *folder;
    int folder_file, lock_file;
    struct disk_ring_settings settings;

    /* The appending thread only. */
    char *head;
    struct container_writer *segment; /* the last of the list; NULL: none is open */
    uint64_t segment_begun;           /* its size with head and clocks alone */
    bool segment_durable;             /* has been synced */
    uint64_t next_number;
    struct kept kept;

    pthread_mutex_t lock; /* for what follows */
    struct segment *list;
    size_t count, room;
    bool appending; /* the last of the list is being written */
    bool boot_known;
    uint8_t boot[16];
    struct disk_ring_state state; /* bytes and counters; the rest is worked out when asked for */
};

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

/* The ring's own bound, with `more` bytes to come. */
static void prune_to_bound(struct disk_ring *ring, uint64_t more) {
    /* Only this thread changes the sum: it may be read without the lock. */
    while (ring->state.bytes + more > ring->settings.bytes && prune_one(ring))
        ;
}

/* The file system's free space: `more` bytes beyond what is to stay free. */
static void prune_to_free(struct disk_ring *ring, uint64_t more) {
    while (free_bytes(ring) < more && prune_one(ring))
        ;
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
    last->bytes = size;
    if (chunk) {
        segment_note(last, chunk);
        ring->state.bytes_written += chunk->length;
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

/* A new segment with head and clocks. */
static int begin_segment(struct disk_ring *ring) {
    uint64_t due = 2 * closing_bytes(ring) + ring->kept.bytes;
    prune_to_bound(ring, due);
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
    for (size_t i = 0; !error && i < ring->kept.clock_count; i++) {
        error = container_append(ring->segment, &ring->kept.clock[i]);
        if (!error)
            note_written(ring, &ring->kept.clock[i]);
    }
    ring->segment_begun = container_size(ring->segment);
    return error;
}

/* Closes a full segment properly. */
static int end_segment(struct disk_ring *ring) {
    int error = container_close(ring->segment, true);
    leave_segment(ring, false);
    if (error)
        count_abandoned(ring);
    else
        kept_release(&ring->kept);
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
        prune_to_bound(ring, chunk->length + closing_bytes(ring));
        int error = container_append(ring->segment, chunk);
        if (error)
            return error;
        kept->written++;
        note_written(ring, chunk);
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

/* ---- opening ---- */

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
    prune_to_bound(made, 0);
    *found = what;
    *ring = made;
    return 0;
}

void disk_ring_close(struct disk_ring *ring) {
    if (!ring)
        return;
    if (disk_ring_sync(ring) == 0 && ring->segment)
        end_segment(ring);
    abandon_segment(ring);
    free(ring->folder);
    free(ring->head);
    kept_done(&ring->kept);
    free(ring->list);
    if (ring->folder_file >= 0)
        close(ring->folder_file);
    if (ring->lock_file >= 0)
        close(ring->lock_file); /* gives the lock back */
    pthread_mutex_destroy(&ring->lock);
    free(ring);
}

/* ---- lists ---- */

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
    int error = segments_find(folder, &segments, &count);
    if (error)
        return error;
    struct disk_ring_list made = {.path = calloc(count + 1, sizeof *made.path)};
    if (!made.path)
        error = -ENOMEM;
    for (size_t i = 0; !error && i < count; i++) {
        if (!segment_peek(folder, &segments[i]))
            continue;
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
