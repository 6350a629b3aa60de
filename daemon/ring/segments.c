// SPDX-License-Identifier: Apache-2.0
/*
 * segments.c - what lies in a ring's folder.
 */
#include "segments.h"

#include "container.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define SUFFIX ".ring"

/* The head, a clock of each stream, the first block, and marks before and between them: so many
 * chunks tell what a segment is. */
#define PEEK_CHUNKS 128

void segment_name(uint64_t number, char *name) {
    snprintf(name, SEGMENT_NAME_MAX, "%08" PRIu64 SUFFIX, number % 1000000000000u);
}

char *segment_path(const char *folder, uint64_t number) {
    char name[SEGMENT_NAME_MAX];
    segment_name(number, name);
    char *path = NULL;
    return asprintf(&path, "%s/%s", folder, name) < 0 ? NULL : path;
}

uint64_t segment_number(const char *path) {
    const char *slash = strrchr(path, '/');
    const char *name = slash ? slash + 1 : path;
    char *end;
    if (name[0] < '0' || name[0] > '9')
        return 0;
    uint64_t number = strtoull(name, &end, 10);
    char again[SEGMENT_NAME_MAX]; /* only what segment_name() makes is a name */
    segment_name(number, again);
    return strcmp(again, name) == 0 ? number : 0;
}

struct segment segment_new(uint64_t number) {
    return (struct segment){.number = number, .from_ns = INT64_MAX, .to_ns = INT64_MIN};
}

static void note_times(struct segment *segment, enum chunk_type type, int64_t from_ns,
                       int64_t to_ns) {
    if (type != CHUNK_BLOCK && type != CHUNK_MARK)
        return;
    if (from_ns < segment->from_ns)
        segment->from_ns = from_ns;
    if (to_ns > segment->to_ns)
        segment->to_ns = to_ns;
}

void segment_note(struct segment *segment, const struct chunk *chunk) {
    struct chunk_clock clock;
    note_times(segment, chunk->type, chunk->from_ns, chunk->to_ns);
    bool placed =
        chunk->type == CHUNK_BLOCK || chunk->type == CHUNK_LOSS || chunk->type == CHUNK_CLOCK;
    if (placed && (!segment->has_epoch || chunk->place.epoch > segment->last_epoch))
        segment->last_epoch = chunk->place.epoch;
    segment->has_epoch |= placed;
    if (chunk->type == CHUNK_CLOCK && chunk_parse_clock(chunk, &clock) == 0) {
        memcpy(segment->boot, clock.boot, sizeof segment->boot);
        segment->boot_known = true;
    }
}

static int by_number(const void *a, const void *b) {
    const struct segment *left = a, *right = b;
    return (left->number > right->number) - (left->number < right->number);
}

int segments_find(const char *folder, struct segment **segments, size_t *count) {
    DIR *directory = opendir(folder);
    if (!directory)
        return -errno;
    struct segment *found = NULL;
    size_t found_count = 0, room = 0;
    int error = 0;
    for (struct dirent *entry; (entry = readdir(directory));) {
        uint64_t number = segment_number(entry->d_name);
        struct stat facts;
        if (!number || fstatat(dirfd(directory), entry->d_name, &facts, AT_SYMLINK_NOFOLLOW) < 0 ||
            !S_ISREG(facts.st_mode))
            continue;
        if (found_count == room) {
            room = room ? 2 * room : 64;
            struct segment *more = reallocarray(found, room, sizeof *found);
            if (!more) {
                error = -ENOMEM;
                break;
            }
            found = more;
        }
        found[found_count] = segment_new(number);
        found[found_count++].bytes = (uint64_t)facts.st_size;
    }
    closedir(directory);
    if (error) {
        free(found);
        return error;
    }
    if (found_count)
        qsort(found, found_count, sizeof *found, by_number);
    *segments = found;
    *count = found_count;
    return 0;
}

/* Reads exactly `count` bytes; false at the end of the file or on an error. */
static bool read_at(int file, uint8_t *bytes, size_t count, uint64_t offset) {
    for (size_t have = 0; have < count;) {
        ssize_t got = pread(file, bytes + have, count - have, (off_t)(offset + have));
        if (got < 0 && errno == EINTR)
            continue;
        if (got <= 0)
            return false;
        have += (size_t)got;
    }
    return true;
}

static bool make_room(size_t count, uint8_t **bytes, size_t *room) {
    if (count <= *room)
        return true;
    uint8_t *more = realloc(*bytes, count);
    if (!more)
        return false;
    *bytes = more;
    *room = count;
    return true;
}

size_t segment_read_chunk(int file, uint64_t offset, uint8_t **bytes, size_t *room,
                          struct chunk *chunk) {
    uint8_t header[CHUNK_HEADER_SIZE];
    size_t length;
    uint64_t number;
    if (!read_at(file, header, sizeof header, offset) ||
        !chunk_header(header, sizeof header, &length, &number) || !make_room(length, bytes, room))
        return 0;
    uint32_t sequence;
    return read_at(file, *bytes, length, offset) &&
                   chunk_parse(*bytes, length, chunk, &sequence) > 0
               ? length
               : 0;
}

/* How many of the bytes are whole chunks, by their headers; the first one's length at least. */
static size_t whole_chunks(const uint8_t *bytes, size_t count) {
    size_t whole = 0;
    size_t length;
    uint64_t number;
    while (whole + CHUNK_HEADER_SIZE <= count &&
           chunk_header(bytes + whole, count - whole, &length, &number) &&
           (whole == 0 || length <= count - whole))
        whole += length;
    return whole;
}

size_t segment_read_chunks(int file, uint64_t offset, uint64_t end, uint8_t **bytes, size_t *room) {
    size_t count = end - offset < SEGMENT_READ ? (size_t)(end - offset) : SEGMENT_READ;
    if (!make_room(count, bytes, room) || !read_at(file, *bytes, count, offset))
        return 0;
    size_t whole = whole_chunks(*bytes, count);
    if (whole <= count)
        return whole;
    return whole <= end - offset && make_room(whole, bytes, room) &&
                   read_at(file, *bytes + count, whole - count, offset + count)
               ? whole
               : 0;
}

/* A file that does not begin with a sound chunk: may it be ours all the same, torn? */
static bool is_container(const char *path) {
    struct container_reader *reader = NULL;
    int error = container_open(path, &reader);
    container_reader_free(reader);
    return error != -EMEDIUMTYPE && error != -EPROTO;
}

bool segment_is_of_another_version(const char *folder, uint64_t number) {
    char *path = segment_path(folder, number);
    int file = path ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    uint8_t header[CHUNK_HEADER_SIZE];
    size_t length;
    uint64_t of_file;
    free(path);
    if (file < 0)
        return false;
    bool sound = read_at(file, header, sizeof header, 0) &&
                 chunk_header(header, sizeof header, &length, &of_file);
    close(file);
    return sound && header[CHUNK_AT_VERSION] != CHUNK_VERSION;
}

bool segment_peek(const char *folder, struct segment *segment) {
    char *path = segment_path(folder, segment->number);
    int file = path ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    bool ours = true; /* what cannot be read is not ours to judge: it keeps its place */
    uint8_t *bytes = NULL;
    size_t room = 0;
    uint64_t offset = 0;
    segment->to_ns = INT64_MAX;
    if (file < 0)
        goto done;
    bool block = false; /* a mark may be the first of all, before its stream's clock */
    for (int i = 0; i < PEEK_CHUNKS && !(block && segment->boot_known); i++) {
        struct chunk chunk;
        size_t length = segment_read_chunk(file, offset, &bytes, &room, &chunk);
        if (!length)
            break;
        block |= chunk.type == CHUNK_BLOCK;
        int64_t to_ns = segment->to_ns;
        segment_note(segment, &chunk);
        segment->to_ns = to_ns;
        offset += length;
    }
    if (offset == 0)
        ours = is_container(path);
done:
    if (file >= 0)
        close(file);
    free(bytes);
    free(path);
    return ours;
}

/* An INDEX, the head, and END: longer ends are found by a scan only. */
#define TAIL_BYTES ((size_t)256 << 10)

static void take_index(struct segment *segment, const struct chunk *index, uint64_t offset) {
    int64_t from_ns = INT64_MAX;
    int64_t to_ns = INT64_MIN;
    for (size_t i = 0; i < chunk_index_count(index); i++) {
        struct chunk_index_entry entry = chunk_index_get(index, i);
        from_ns = entry.from_ns < from_ns ? entry.from_ns : from_ns;
        to_ns = entry.to_ns > to_ns ? entry.to_ns : to_ns;
    }
    if (from_ns > to_ns)
        return;
    segment->index_at = offset;
    segment->from_ns = from_ns;
    segment->to_ns = to_ns;
}

void segment_find_index(const char *folder, struct segment *segment) {
    char *path = segment_path(folder, segment->number);
    int file = path ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    size_t size = segment->bytes < TAIL_BYTES ? (size_t)segment->bytes : TAIL_BYTES;
    uint64_t begin = segment->bytes - size;
    uint8_t *bytes = malloc(size ? size : 1);
    if (file >= 0 && bytes && read_at(file, bytes, size, begin)) {
        for (size_t at = chunk_find(bytes, size); at < size;) {
            struct chunk chunk;
            uint32_t sequence;
            int64_t length = chunk_parse(bytes + at, size - at, &chunk, &sequence);
            if (length > 0 && chunk.type == CHUNK_INDEX)
                take_index(segment, &chunk, begin + at);
            at += length > 0 ? (size_t)length : 1;
            at += at < size ? chunk_find(bytes + at, size - at) : 0;
        }
    }
    if (file >= 0)
        close(file);
    free(bytes);
    free(path);
}

int segment_scan(const char *folder, struct segment *segment, struct segment_scan *scan) {
    char *path = segment_path(folder, segment->number);
    if (!path)
        return -ENOMEM;
    struct container_reader *reader = NULL;
    int error = container_open(path, &reader);
    free(path);
    if (error)
        return error;
    const struct container_entry *entry;
    size_t count = container_entries(reader, &entry);
    struct segment_scan found = {0};
    segment->from_ns = INT64_MAX;
    segment->to_ns = INT64_MIN;
    for (size_t i = 0; i < count; i++) {
        note_times(segment, entry[i].type, entry[i].from_ns, entry[i].to_ns);
        bool placed = entry[i].type == CHUNK_BLOCK || entry[i].type == CHUNK_LOSS ||
                      entry[i].type == CHUNK_CLOCK;
        if (placed && (!found.has_epoch || entry[i].place.epoch > found.last_epoch))
            found.last_epoch = entry[i].place.epoch;
        found.has_epoch |= placed;
    }
    const struct container_damage *damage;
    count = container_damages(reader, &damage);
    found.damaged = count > 0;
    for (size_t i = 0; i < count; i++)
        found.damaged_bytes += damage[i].length;
    container_reader_free(reader);
    *scan = found;
    return 0;
}
