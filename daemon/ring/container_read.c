// SPDX-License-Identifier: Apache-2.0
/*
 * container_read.c - what is left of a container file, found by scanning all of it.
 *
 * Nothing but sound chunks is believed: no index, no END, no length of a chunk whose check sum is
 * wrong. The scan goes from chunk to chunk; where none begins it steps to the next place one could
 * begin and tries again, so damage costs only the chunks it touches. The file is read with pread
 * into a window: a mapping would end the program on a file that shrinks or a disk that fails.
 */
#include "container.h"

#include "bytes.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define WINDOW_SIZE ((size_t)1 << 20)
#define DISK_PAGE   4096u /* what is given up at a place the disk cannot read */

/*
 * Trailing zeros that make a torn tail: fewer may be a chunk's own bytes. A file system that grew
 * the file before the data came leaves whole sectors of them.
 */
#define ZEROS_LEAST 8u

/*
 * A sound header with a wrong payload is looked into for chunks: the length may have outlived the
 * bytes. A hostile file of nested headers would make that quadratic; beyond this many bytes summed
 * for each byte of the file, the payload is skipped whole.
 */
#define LOOK_INSIDE_FACTOR 16u

struct container_reader {
    int fd;
    uint64_t size;

    uint8_t *window; /* [window_at, window_at + held) of the file */
    size_t room, held;
    uint64_t window_at;

    struct container_entry *entries;
    size_t entry_count, entry_room;
    struct container_damage *damages;
    size_t damage_count, damage_room;

    bool numbered; /* `file` is known: from the first sound chunk */
    uint64_t file;
    uint32_t due;  /* the sequence number after the highest met */
    bool newer;    /* a sound chunk of a newer version was met */
    bool io_error; /* a place could not be read */
    uint64_t summed;

    enum container_state tail; /* what the last damage makes of the file, or whole */
    enum container_state state;
};

/* ---- the window ---- */

/* Fills up to `count` bytes from `offset`; pages the disk fails on read as zeros, noted. */
static int read_at(struct container_reader *reader, uint8_t *to, size_t count, uint64_t offset,
                   size_t *got) {
    size_t done = 0;
    while (done < count) {
        ssize_t taken = pread(reader->fd, to + done, count - done, (off_t)(offset + done));
        if (taken > 0) {
            done += (size_t)taken;
        } else if (taken == 0) {
            break; /* it has become shorter */
        } else if (errno == EIO) {
            size_t page = DISK_PAGE - (size_t)((offset + done) % DISK_PAGE);
            page = page < count - done ? page : count - done;
            memset(to + done, 0, page);
            done += page;
            reader->io_error = true;
        } else if (errno != EINTR) {
            return -errno;
        }
    }
    *got = done;
    return 0;
}

/*
 * Holds `count` bytes from `offset`, or what the file has of them; `*at` then points there, with
 * `*have` bytes behind it. What was pointed to before may be gone.
 */
static int look(struct container_reader *reader, uint64_t offset, size_t count, const uint8_t **at,
                size_t *have) {
    uint64_t left = offset < reader->size ? reader->size - offset : 0;
    if (count > left)
        count = (size_t)left;
    if (offset < reader->window_at || offset + count > reader->window_at + reader->held) {
        size_t room = reader->size < WINDOW_SIZE ? (size_t)reader->size : WINDOW_SIZE;
        room = room < count ? count : room;
        if (room > reader->room) {
            uint8_t *window = realloc(reader->window, room);
            if (!window)
                return -ENOMEM;
            reader->window = window;
            reader->room = room;
        }
        size_t kept = 0;
        if (offset >= reader->window_at && offset < reader->window_at + reader->held) {
            kept = (size_t)(reader->window_at + reader->held - offset);
            memmove(reader->window, reader->window + (reader->held - kept), kept);
        }
        uint64_t more = left < reader->room ? left : reader->room;
        size_t got = 0;
        reader->held = 0;
        int error =
            read_at(reader, reader->window + kept, (size_t)more - kept, offset + kept, &got);
        if (error)
            return error;
        reader->window_at = offset;
        reader->held = kept + got;
        if (kept + got < more)
            reader->size = offset + kept + got;
    }
    *at = reader->window + (offset - reader->window_at);
    *have = (size_t)(reader->window_at + reader->held - offset);
    return 0;
}

/* ---- what was found ---- */

/* Room for one more of `size` bytes each in a growing array. */
static int grow(void **array, size_t count, size_t *room, size_t size) {
    if (count < *room)
        return 0;
    size_t wanted = *room ? *room * 2 : 64;
    void *grown = realloc(*array, wanted * size);
    if (!grown)
        return -ENOMEM;
    *array = grown;
    *room = wanted;
    return 0;
}

static int add_damage(struct container_reader *reader, uint64_t offset, uint64_t length,
                      const char *what) {
    void *array = reader->damages;
    int error = grow(&array, reader->damage_count, &reader->damage_room, sizeof *reader->damages);
    reader->damages = array;
    if (error)
        return error;
    reader->damages[reader->damage_count++] =
        (struct container_damage){.offset = offset, .length = length, .what = what};
    return 0;
}

/* A sound chunk: an entry; and a damage where numbers are missing that no damaged bytes explain. */
static int add_entry(struct container_reader *reader, uint64_t offset, const struct chunk *chunk,
                     uint32_t sequence, bool after_damage) {
    int error = 0;
    if (sequence < reader->due)
        error = add_damage(reader, offset, 0, "chunks out of order");
    else if (sequence > reader->due && !after_damage)
        error = add_damage(reader, offset, 0, "chunks are missing");
    if (error)
        return error;
    if (sequence >= reader->due)
        reader->due = sequence + 1;
    void *array = reader->entries;
    error = grow(&array, reader->entry_count, &reader->entry_room, sizeof *reader->entries);
    reader->entries = array;
    if (error)
        return error;
    reader->entries[reader->entry_count++] =
        (struct container_entry){.offset = offset,
                                 .length = (uint32_t)chunk->length,
                                 .sequence = sequence,
                                 .type = chunk->type,
                                 .place = chunk->place,
                                 .scans = chunk->scans,
                                 .from_ns = chunk->from_ns,
                                 .to_ns = chunk->to_ns};
    return 0;
}

/* ---- scanning ---- */

/* What stands at an offset. */
enum sight { SIGHT_CHUNK, SIGHT_NEWER, SIGHT_OTHER_FILE, SIGHT_BAD_SUM, SIGHT_CUT, SIGHT_NOTHING };

static int see(struct container_reader *reader, uint64_t offset, enum sight *sight, size_t *length,
               struct chunk *chunk, uint32_t *sequence) {
    const uint8_t *at;
    size_t have;
    uint64_t file;
    int error = look(reader, offset, CHUNK_HEADER_SIZE, &at, &have);
    if (error)
        return error;
    *length = 0;
    if (!chunk_header(at, have, length, &file)) {
        bool begins = chunk_find(at, have) == 0 && have > 0;
        *sight = !begins ? SIGHT_NOTHING : have < CHUNK_HEADER_SIZE ? SIGHT_CUT : SIGHT_BAD_SUM;
        return 0;
    }
    if (*length > reader->size - offset) {
        *sight = SIGHT_CUT;
        return 0;
    }
    error = look(reader, offset, *length, &at, &have);
    if (error)
        return error;
    reader->summed += *length;
    int64_t parsed = chunk_parse(at, have, chunk, sequence);
    if (parsed == -EPROTO)
        *sight = SIGHT_NEWER;
    else if (parsed <= 0)
        *sight = parsed ? SIGHT_BAD_SUM : SIGHT_CUT;
    else if (reader->numbered && file != reader->file)
        *sight = SIGHT_OTHER_FILE;
    else
        *sight = SIGHT_CHUNK;
    if (*sight == SIGHT_CHUNK) {
        reader->numbered = true;
        reader->file = file;
    }
    return 0;
}

/* The next offset from `offset` on at which a chunk could begin, or the end of the file. */
static int next_candidate(struct container_reader *reader, uint64_t *offset) {
    while (*offset < reader->size) {
        const uint8_t *at;
        size_t have;
        int error = look(reader, *offset, CHUNK_HEADER_SIZE, &at, &have);
        if (error)
            return error;
        size_t found = chunk_find(at, have);
        *offset += found;
        if (found < have)
            return 0;
    }
    *offset = reader->size;
    return 0;
}

/* Where the zeros begin that [from, to) ends with. */
static int trailing_zeros(struct container_reader *reader, uint64_t from, uint64_t to,
                          uint64_t *begin) {
    *begin = from;
    for (uint64_t offset = from; offset < to;) {
        const uint8_t *at;
        size_t have;
        int error = look(reader, offset, 1, &at, &have);
        if (error)
            return error;
        if (!have)
            break;
        if (have > to - offset)
            have = (size_t)(to - offset);
        for (size_t i = have; i > 0; i--) {
            if (at[i - 1]) {
                *begin = offset + i;
                break;
            }
        }
        offset += have;
    }
    return 0;
}

static const char *damage_name(enum sight sight) {
    switch (sight) {
    case SIGHT_BAD_SUM:
        return "check sum is wrong";
    case SIGHT_CUT:
        return "cut short";
    case SIGHT_OTHER_FILE:
        return "of another file";
    default:
        return "no chunk here";
    }
}

/*
 * [from, to), the end of the file, holds no chunk. Did a power cut leave it so: a chunk begun, then
 * nothing, or nothing but zeros from `zeros` on? `claimed`: the length its header tells, or 0.
 */
static int is_torn(struct container_reader *reader, uint64_t from, uint64_t to, uint64_t zeros,
                   size_t claimed, bool *torn) {
    const uint8_t *at;
    size_t have;
    int error = look(reader, from, CHUNK_HEADER_SIZE, &at, &have);
    if (error)
        return error;
    have = zeros - from < have ? (size_t)(zeros - from) : have;
    bool begun = chunk_find(at, have) == 0;
    *torn = begun && to - zeros >= ZEROS_LEAST && (!claimed || zeros < from + claimed);
    return 0;
}

/* [from, to) holds no chunk; `first` is what stands at `from`. */
static int note_damage(struct container_reader *reader, uint64_t from, uint64_t to,
                       enum sight first, size_t claimed) {
    uint64_t zeros;
    int error = trailing_zeros(reader, from, to, &zeros);
    if (error)
        return error;
    const char *what = zeros == from ? "zeros" : damage_name(first);
    if (to == reader->size) {
        bool torn = zeros == from || first == SIGHT_CUT;
        if (!torn) {
            error = is_torn(reader, from, to, zeros, claimed, &torn);
            if (error)
                return error;
            what = torn ? "cut short" : what;
        }
        reader->tail = torn ? CONTAINER_TRUNCATED : CONTAINER_CORRUPT;
    }
    return add_damage(reader, from, to - from, what);
}

/* Where to look next after something at `offset` that is no chunk of this file. */
static uint64_t after_sight(const struct container_reader *reader, uint64_t offset,
                            enum sight sight, size_t length) {
    if (sight == SIGHT_NEWER || sight == SIGHT_OTHER_FILE)
        return offset + length;
    if (sight == SIGHT_BAD_SUM && length &&
        reader->summed / LOOK_INSIDE_FACTOR > reader->size + CHUNK_PAYLOAD_MAX)
        return offset + length;
    return offset + 1;
}

static int scan(struct container_reader *reader) {
    bool damaged = false; /* a damage begins at `from` */
    uint64_t from = 0;
    enum sight first = SIGHT_NOTHING;
    size_t claimed = 0;
    int error = 0;
    uint64_t offset = 0;
    while (offset < reader->size) {
        enum sight sight;
        struct chunk chunk;
        uint32_t sequence;
        size_t length;
        error = see(reader, offset, &sight, &length, &chunk, &sequence);
        if (error)
            return error;
        if (sight == SIGHT_CHUNK) {
            /* Before look() moves the window under the chunk: only its numbers are kept. */
            if (damaged)
                error = note_damage(reader, from, offset, first, claimed);
            if (!error)
                error = add_entry(reader, offset, &chunk, sequence, damaged);
            if (error)
                return error;
            damaged = false;
            offset += length;
            continue;
        }
        reader->newer = reader->newer || sight == SIGHT_NEWER;
        if (!damaged) {
            damaged = true;
            from = offset;
            first = sight;
            claimed = length;
        }
        offset = after_sight(reader, offset, sight, length);
        error = next_candidate(reader, &offset);
        if (error)
            return error;
    }
    return damaged ? note_damage(reader, from, reader->size, first, claimed) : 0;
}

/* ---- the reader ---- */

/* 0, or why nothing at all can be had of the file. */
static int judge(struct container_reader *reader) {
    size_t inner = reader->damage_count - (reader->tail != CONTAINER_WHOLE);
    if (!reader->entry_count && reader->newer)
        return -EPROTO;
    if (!reader->entry_count && reader->io_error)
        return -EIO;
    if (!reader->entry_count && reader->tail == CONTAINER_CORRUPT) {
        const uint8_t *at;
        size_t have;
        int error = look(reader, 0, CHUNK_HEADER_SIZE, &at, &have);
        if (error)
            return error;
        if (!have || chunk_find(at, have) != 0)
            return -EMEDIUMTYPE;
    }
    if (reader->io_error)
        reader->state = CONTAINER_IO_ERROR;
    else if (reader->newer)
        reader->state = CONTAINER_NEWER;
    else if (inner)
        reader->state = CONTAINER_CORRUPT;
    else if (reader->tail != CONTAINER_WHOLE)
        reader->state = reader->tail;
    else
        reader->state = container_ended(reader) ? CONTAINER_WHOLE : CONTAINER_TRUNCATED;
    return 0;
}

int container_open(const char *path, struct container_reader **reader) {
    struct container_reader *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    int error = 0;
    struct stat status;
    made->fd = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (made->fd < 0 || fstat(made->fd, &status) < 0) {
        error = -errno;
        goto fail;
    }
    if (!S_ISREG(status.st_mode)) {
        error = S_ISDIR(status.st_mode) ? -EISDIR : -EMEDIUMTYPE;
        goto fail;
    }
    made->size = (uint64_t)status.st_size;
    error = scan(made);
    if (!error)
        error = judge(made);
    if (error)
        goto fail;
    free(made->window); /* entries are read on their own */
    made->window = NULL;
    made->room = made->held = 0;
    *reader = made;
    return 0;
fail:
    container_reader_free(made);
    return error;
}

void container_reader_free(struct container_reader *reader) {
    if (!reader)
        return;
    if (reader->fd >= 0)
        close(reader->fd);
    free(reader->window);
    free(reader->entries);
    free(reader->damages);
    free(reader);
}

size_t container_entries(const struct container_reader *reader,
                         const struct container_entry **entries) {
    *entries = reader->entries;
    return reader->entry_count;
}

size_t container_damages(const struct container_reader *reader,
                         const struct container_damage **damages) {
    *damages = reader->damages;
    return reader->damage_count;
}

enum container_state container_state(const struct container_reader *reader) {
    return reader->state;
}

bool container_ended(const struct container_reader *reader) {
    return reader->entry_count && reader->entries[reader->entry_count - 1].type == CHUNK_END;
}

int container_read(struct container_reader *reader, size_t index, struct chunk *chunk) {
    if (index >= reader->entry_count)
        return -EINVAL;
    const struct container_entry *entry = &reader->entries[index];
    uint8_t *bytes = malloc(entry->length);
    if (!bytes)
        return -ENOMEM;
    size_t got = 0;
    bool failed_before = reader->io_error;
    reader->io_error = false;
    int error = read_at(reader, bytes, entry->length, entry->offset, &got);
    if (!error && reader->io_error)
        error = -EIO;
    reader->io_error = failed_before;
    struct chunk parsed;
    uint32_t sequence = 0;
    size_t length;
    uint64_t file;
    if (!error && (chunk_parse(bytes, got, &parsed, &sequence) != (int64_t)entry->length ||
                   sequence != entry->sequence || !chunk_header(bytes, got, &length, &file) ||
                   file != reader->file))
        error = -EBADMSG;
    if (error) {
        free(bytes);
        return error;
    }
    *chunk = parsed;
    return 0;
}
