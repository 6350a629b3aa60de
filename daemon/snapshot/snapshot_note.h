// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_note.h - the mark in a snapshot that says what it is: number, trigger, stretch. Private
 * to snapshot.
 *
 * {"kind":"snapshot","number":7,"trigger":"cranking","text":"...","at_ns":0,"from_ns":0,"to_ns":0,
 *  "boot":"32 hex digits","cut_short":true}
 * It stands right after the head, where it says "cut_short": true, because until the file is
 * finished that is what it is; once more for every change; and at the end. The last one holds.
 */
#ifndef CRANKTRAP_SNAPSHOT_NOTE_H
#define CRANKTRAP_SNAPSHOT_NOTE_H

#include "chunk.h"

#include <stdbool.h>
#include <stdint.h>

struct snapshot_note {
    unsigned number;
    char *trigger, *text;
    int64_t at_ns, from_ns, to_ns;
    uint8_t boot[16];
    bool cut_short;
};

/* Makes the MARK chunk (chunk_done it). 0 or a negative errno. */
int snapshot_note_chunk(const struct snapshot_note *note, struct chunk *chunk);

/*
 * Reads a MARK chunk; strings are allocated (snapshot_note_done). 0; -ENOMSG where it is a mark of
 * another kind; -EBADMSG where it cannot be one.
 */
int snapshot_note_parse(const struct chunk *chunk, struct snapshot_note *note);

/* A copy with strings of its own. 0 or -ENOMEM. */
int snapshot_note_copy(const struct snapshot_note *note, struct snapshot_note *copy);

/* Frees the strings; takes NULL. */
void snapshot_note_done(struct snapshot_note *note);

#endif
