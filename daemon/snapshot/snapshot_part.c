// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_part.c - finishing what a process that ended too early has left.
 */
#include "snapshot_part.h"

#include "container.h"
#include "snapshot_copy.h"
#include "snapshot_folder.h"
#include "snapshot_source.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct snapshot_part {
    char *folder;
    char *path; /* of the .part.old */
    struct disk_ring *ring;
    struct disk_ring_list segments; /* pinned */
    struct container_reader *reader;
    struct snapshot_note note;
};

static int set_apart(const char *folder, unsigned number) {
    char *part = snapshot_folder_path(folder, number, SNAPSHOT_PART);
    char *old = snapshot_folder_path(folder, number, SNAPSHOT_OLD_PART);
    int error = part && old ? 0 : -ENOMEM;
    if (!error && access(old, F_OK) == 0) {
        /* A restart was already at it: the .part is its unfinished second writing. */
        if (unlink(part) < 0)
            error = -errno;
    } else if (!error && rename(part, old) < 0) {
        error = -errno;
    }
    free(part);
    free(old);
    return error;
}

int snapshot_part_find(const char *folder, unsigned **numbers, size_t *count) {
    unsigned *parts = NULL;
    size_t part_count = 0;
    int error = snapshot_folder_numbers(folder, SNAPSHOT_PART, &parts, &part_count);
    for (size_t i = 0; !error && i < part_count; i++)
        error = set_apart(folder, parts[i]);
    free(parts);
    return error ? error : snapshot_folder_numbers(folder, SNAPSHOT_OLD_PART, numbers, count);
}

/* The last mark of the file that says what it is. */
static int find_note(struct container_reader *reader, struct snapshot_note *note) {
    const struct container_entry *entries = NULL;
    size_t count = container_entries(reader, &entries);
    int result = -EBADMSG;
    while (count-- > 0 && result == -EBADMSG) {
        struct chunk chunk = {0};
        if (entries[count].type != CHUNK_MARK || container_read(reader, count, &chunk) < 0)
            continue;
        result = snapshot_note_parse(&chunk, note);
        if (result == -ENOMSG)
            result = -EBADMSG;
        chunk_done(&chunk);
    }
    return result;
}

static void keep_aside(const struct snapshot_part *part, unsigned number) {
    char *aside = snapshot_folder_path(part->folder, number, SNAPSHOT_UNREADABLE);
    if (aside)
        (void)rename(part->path, aside);
    free(aside);
}

int snapshot_part_open(const char *folder, unsigned number, struct disk_ring *ring,
                       struct snapshot_part **part) {
    struct snapshot_part *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->ring = ring;
    made->path = snapshot_folder_path(folder, number, SNAPSHOT_OLD_PART);
    made->folder = strdup(folder);
    int error = made->path && made->folder ? 0 : -ENOMEM;
    if (!error)
        error = container_open(made->path, &made->reader);
    if (error == -EMEDIUMTYPE || error == -EPROTO)
        error = -EBADMSG;
    if (!error)
        error = find_note(made->reader, &made->note);
    if (error == -EBADMSG)
        keep_aside(made, number);
    if (!error)
        error = disk_ring_pin_stretch(ring, made->note.from_ns, made->note.to_ns, &made->segments);
    if (error)
        goto failed;
    made->note.number = number; /* the file's name holds */
    *part = made;
    return 0;
failed:
    snapshot_part_free(made);
    return error;
}

void snapshot_part_free(struct snapshot_part *part) {
    if (!part)
        return;
    disk_ring_unpin(part->ring, &part->segments);
    container_reader_free(part->reader);
    snapshot_note_done(&part->note);
    free(part->folder);
    free(part->path);
    free(part);
}

const struct snapshot_note *snapshot_part_note(const struct snapshot_part *part) {
    return &part->note;
}

static int take_file(struct snapshot_part *part, struct snapshot_copy *copy) {
    const struct container_entry *entries = NULL;
    size_t count = container_entries(part->reader, &entries);
    int error = 0;
    for (size_t i = 0; !error && i < count; i++) {
        struct chunk chunk = {0};
        error = container_read(part->reader, i, &chunk);
        if (!error)
            error = snapshot_copy_take(copy, &chunk);
        else if (error == -EBADMSG)
            error = 0; /* gone bad since it was opened: the ring may have it */
        chunk_done(&chunk);
    }
    return error;
}

static int take_ring(struct snapshot_part *part, struct snapshot_copy *copy) {
    struct snapshot_source *source = NULL;
    struct chunk chunk;
    int result = snapshot_source_new_of(part->ring, &part->segments, &source);
    if (result < 0)
        return result;
    while ((result = snapshot_source_next(source, &chunk)) == 1) {
        result = snapshot_copy_take(copy, &chunk);
        if (result < 0)
            break;
    }
    snapshot_source_free(source);
    return result;
}

int snapshot_part_finish(struct snapshot_part *part) {
    struct snapshot_copy *copy = NULL;
    int error = snapshot_copy_new(part->folder, &part->note, &copy);
    if (error)
        return error;
    error = take_file(part, copy);
    if (!error)
        error = take_ring(part, copy);
    if (!error)
        error = snapshot_copy_finish(copy, snapshot_copy_newest(copy) < part->note.to_ns);
    snapshot_copy_free(copy);
    /* Not one block in it and none in the ring: nothing is lost with the file. */
    if ((!error || error == -ENODATA) && unlink(part->path) < 0 && !error)
        error = -errno;
    return error;
}
