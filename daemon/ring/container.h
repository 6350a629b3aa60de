// SPDX-License-Identifier: Apache-2.0
/*
 * container.h - a container file: append chunks, or read them back from whatever is left of it.
 */
#ifndef CRANKTRAP_CONTAINER_H
#define CRANKTRAP_CONTAINER_H

#include "chunk.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* ---- writing ---- */

struct container_writer;

/*
 * Creates `path` (must not exist: -EEXIST; mode 0666 less the umask). `head_json` becomes the first
 * chunk. On failure after creation the file is removed again.
 */
int container_create(const char *path, const char *head_json, struct container_writer **writer);

/*
 * Appends; gives the chunk the file's next sequence number. Short writes are finished. A negative
 * errno (-ENOSPC, -EIO ...) leaves a torn tail that readers cut: after any failure close the file
 * and write what is not yet durable into a new one. Every later append fails with the same error.
 */
int container_append(struct container_writer *writer, const struct chunk *chunk);

/* Makes everything appended durable (fdatasync; the first time the folder's entry too). */
int container_sync(struct container_writer *writer);

/* Bytes so far. */
uint64_t container_size(const struct container_writer *writer);

/* With `whole`, appends the latest head once more and END, and syncs. Frees in any case; takes
 * NULL. Returns the first error (an earlier failure of append or sync too, so that nobody renames a
 * torn file). */
int container_close(struct container_writer *writer, bool whole);

/* ---- reading ---- */

/* What is wrong with a file; the exit status of `cranktrap verify`. */
enum container_state {
    CONTAINER_WHOLE = 0,
    CONTAINER_NOT_OURS = 4,
    CONTAINER_NEWER = 5,
    CONTAINER_TRUNCATED = 6, /* ends inside a chunk (cut, zeros), or without END: interrupted or
                                still being written; all before it is sound */
    CONTAINER_CORRUPT = 7,   /* damage inside, or garbage at the end, or chunks are missing */
    CONTAINER_IO_ERROR = 8,  /* the disk would not give all of it */
};

/* A stretch of bytes no chunk could be read from; length 0: a place where whole chunks are gone. */
struct container_damage {
    uint64_t offset;
    uint64_t length;
    const char *what; /* static: "zeros", "no chunk here", "check sum is wrong", "cut short", "of
                         another file", "chunks are missing", "chunks out of order" */
};

/* A chunk of the file, found by scanning. */
struct container_entry {
    uint64_t offset;
    uint32_t length;
    uint32_t sequence;
    enum chunk_type type;
    struct chunk_place place;
    uint32_t scans;
    int64_t from_ns, to_ns;
};

struct container_reader;

/*
 * Opens and scans the whole file: every sound chunk becomes an entry, whatever lies between.
 * Fails only where nothing at all can be had: -ENOENT, -EACCES, -EIO, -ENOMEM; -EMEDIUMTYPE not
 * ours; -EPROTO of another version of the format (container_why_foreign). A file still being
 * written reads as truncated at most.
 */
int container_open(const char *path, struct container_reader **reader);

/* Frees; takes NULL. */
void container_reader_free(struct container_reader *reader);

/* The sound chunks in the order of the file; the reader's. How many. */
size_t container_entries(const struct container_reader *reader,
                         const struct container_entry **entries);
/* A file that ends without END between two chunks has no damage, and is truncated. */
size_t container_damages(const struct container_reader *reader,
                         const struct container_damage **damages);
enum container_state container_state(const struct container_reader *reader);
bool container_ended(const struct container_reader *reader); /* closed properly: END is there */

/* Reads entry `index` into `chunk` (chunk_done it). Checks it again: -EBADMSG, -EIO. */
int container_read(struct container_reader *reader, size_t index, struct chunk *chunk);

/*
 * Looks at `path` whole, decoding every block too: state, and in `text` (at least 256 bytes)
 * one plain sentence with what, where and how much can still be read.
 */
enum container_state container_verify(const char *path, char *text, size_t size);

/* What a file that gave -EPROTO is, and what to do: a phrase that goes on from its name. */
const char *container_why_foreign(const char *path);

#endif
