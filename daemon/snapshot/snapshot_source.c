// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_source.c - reading segments by chunk, the last one while it is being written.
 */
#include "snapshot_source.h"

#include <errno.h>
#include <fcntl.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define WINDOW (256u << 10) /* bytes read at once */

struct snapshot_source {
    struct disk_ring *ring;
    int64_t from_ns, to_ns;
    struct disk_ring_list fixed; /* where only these count */
    bool is_fixed;

    int file;        /* the segment being read; -1: none */
    uint64_t number; /* its number; 0: none was opened yet */
    bool complete;   /* a later segment exists: nothing is added to this one any more */
    uint64_t mark;   /* the file's number that its chunks carry; 0: not known yet */
    bool marked;
    uint64_t offset;

    uint8_t *window;
    size_t room, held;
    uint64_t window_offset;
};

static struct snapshot_source *make(struct disk_ring *ring) {
    struct snapshot_source *made = calloc(1, sizeof *made);
    if (!made)
        return NULL;
    made->ring = ring;
    made->file = -1;
    return made;
}

int snapshot_source_new(struct disk_ring *ring, int64_t from_ns, int64_t to_ns,
                        struct snapshot_source **source) {
    struct snapshot_source *made = make(ring);
    if (!made)
        return -ENOMEM;
    made->from_ns = from_ns;
    made->to_ns = to_ns;
    *source = made;
    return 0;
}

int snapshot_source_new_of(struct disk_ring *ring, struct disk_ring_list *segments,
                           struct snapshot_source **source) {
    struct snapshot_source *made = make(ring);
    if (!made)
        return -ENOMEM;
    made->is_fixed = true;
    made->fixed = *segments;
    *segments = (struct disk_ring_list){0};
    *source = made;
    return 0;
}

static void close_segment(struct snapshot_source *source) {
    if (source->file >= 0)
        close(source->file);
    source->file = -1;
    source->held = 0;
}

void snapshot_source_free(struct snapshot_source *source) {
    if (!source)
        return;
    close_segment(source);
    if (source->is_fixed)
        disk_ring_unpin(source->ring, &source->fixed);
    free(source->window);
    free(source);
}

void snapshot_source_lengthen(struct snapshot_source *source, int64_t to_ns) {
    source->to_ns = to_ns;
}

/* ---- segments ---- */

static uint64_t number_of(const char *path) {
    const char *slash = strrchr(path, '/');
    return strtoull(slash ? slash + 1 : path, NULL, 10);
}

static int open_segment(struct snapshot_source *source, const char *path) {
    int file = open(path, O_RDONLY | O_CLOEXEC);
    if (file < 0)
        return -errno;
    (void)posix_fadvise(file, 0, 0, POSIX_FADV_SEQUENTIAL);
    close_segment(source);
    source->file = file;
    source->number = number_of(path);
    source->complete = false;
    source->marked = false;
    source->offset = 0;
    return 0;
}

/*
 * Looks for a segment after the present one. With `go`, goes to it; else only notes that the
 * present one is complete. 1: there is one, 0: none, or a negative errno.
 */
static int look_further(struct snapshot_source *source, bool go) {
    struct disk_ring_list list = source->fixed;
    int result = source->is_fixed
                     ? 0
                     : disk_ring_pin_stretch(source->ring, source->from_ns, source->to_ns, &list);
    if (result < 0)
        return result;
    for (size_t i = 0; i < list.count; i++) {
        if (number_of(list.path[i]) <= source->number)
            continue;
        if (!go) {
            source->complete = true;
            result = 1;
            break;
        }
        result = open_segment(source, list.path[i]);
        if (result == 0)
            result = 1;
        if (result != -ENOENT)
            break;
        result = 0; /* a foreign hand took it away: the next one */
    }
    if (!source->is_fixed)
        disk_ring_unpin(source->ring, &list);
    return result;
}

/* ---- bytes ---- */

/* Bytes at the present offset, at least `count` of them where the file has them. */
static int see(struct snapshot_source *source, size_t count, const uint8_t **bytes, size_t *seen) {
    uint64_t end = source->window_offset + source->held;
    if (source->held && source->offset >= source->window_offset && source->offset + count <= end) {
        *bytes = source->window + (source->offset - source->window_offset);
        *seen = (size_t)(end - source->offset);
        return 0;
    }
    size_t wanted = count > WINDOW ? count : WINDOW;
    if (wanted > source->room) {
        uint8_t *more = realloc(source->window, wanted);
        if (!more)
            return -ENOMEM;
        source->window = more;
        source->room = wanted;
    }
    source->window_offset = source->offset;
    source->held = 0;
    while (source->held < count) {
        ssize_t got = pread(source->file, source->window + source->held, wanted - source->held,
                            (off_t)(source->offset + source->held));
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            return -EIO; /* a file that is open and named: nothing else is to be expected */
        if (got == 0)
            break;
        source->held += (size_t)got;
    }
    *bytes = source->window;
    *seen = source->held;
    return 0;
}

/* Passes over bytes that are no chunk. 1: something may follow, 0: the end. */
static int pass_damage(struct snapshot_source *source) {
    const uint8_t *bytes = NULL;
    size_t seen = 0;
    source->offset++;
    int result = see(source, CHUNK_HEADER_SIZE, &bytes, &seen);
    if (result < 0)
        return result;
    if (seen < CHUNK_HEADER_SIZE)
        return 0;
    source->offset += chunk_find(bytes, seen);
    return 1;
}

/* The chunk at the present offset: 1, 0 where there is none (yet), -EAGAIN where it is to be passed
 * over, -EBADMSG where there is damage, or another negative errno. */
static int read_chunk(struct snapshot_source *source, struct chunk *chunk) {
    const uint8_t *bytes = NULL;
    size_t seen = 0;
    size_t length = 0;
    uint64_t mark = 0;
    uint32_t sequence = 0;
    int result = see(source, CHUNK_HEADER_SIZE, &bytes, &seen);
    if (result || seen < CHUNK_HEADER_SIZE)
        return result;
    if (!chunk_header(bytes, seen, &length, &mark))
        return -EBADMSG;
    if (source->marked && mark != source->mark)
        return -EBADMSG; /* an older file's, left in the disk's blocks */
    result = see(source, length, &bytes, &seen);
    if (result)
        return result;
    int64_t parsed = chunk_parse(bytes, seen, chunk, &sequence);
    if (parsed == -EPROTO) { /* sound, of a later program */
        source->offset += length;
        return -EAGAIN;
    }
    if (parsed <= 0)
        return parsed < 0 ? -EBADMSG : 0;
    source->mark = mark;
    source->marked = true;
    source->offset += length;
    return 1;
}

/* The next chunk of the present segment, damage passed over: 1, 0 or a negative errno. */
static int next_in_segment(struct snapshot_source *source, struct chunk *chunk) {
    for (;;) {
        int result = read_chunk(source, chunk);
        if (result == -EAGAIN)
            continue;
        if (result == 1 || (result < 0 && result != -EBADMSG))
            return result;
        /* Bytes half written look damaged too: while the segment grows, they may yet be whole. */
        if (!source->complete && !source->is_fixed) {
            source->held = 0;
            return 0;
        }
        result = pass_damage(source);
        if (result != 1)
            return result;
    }
}

int snapshot_source_next(struct snapshot_source *source, struct chunk *chunk) {
    for (;;) {
        int result = 0;
        if (source->file >= 0) {
            result = next_in_segment(source, chunk);
            if (result != 0)
                return result;
        }
        /* First know that a later segment exists, then read the rest, then go on to it. */
        bool go = source->file < 0 || source->complete;
        result = look_further(source, go);
        if (result != 1)
            return result;
    }
}
