// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_note_fuzz.c - any bytes as the mark that says what a snapshot is.
 *
 * Held: what is accepted is made again, read again and says the same.
 */
#include "snapshot_note.h"

#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool holds) {
    if (!holds)
        abort();
}

static void read_again(const struct snapshot_note *note) {
    struct chunk chunk = {0};
    struct snapshot_note again = {0};
    must(snapshot_note_chunk(note, &chunk) == 0);
    must(snapshot_note_parse(&chunk, &again) == 0);
    must(again.number == note->number && again.at_ns == note->at_ns &&
         again.from_ns == note->from_ns && again.to_ns == note->to_ns &&
         again.cut_short == note->cut_short && strcmp(again.trigger, note->trigger) == 0 &&
         strcmp(again.text, note->text) == 0 &&
         memcmp(again.boot, note->boot, sizeof note->boot) == 0);
    snapshot_note_done(&again);
    chunk_done(&chunk);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct chunk chunk = {0};
    struct snapshot_note note = {0};
    char *text = malloc(size + 1);
    if (!text)
        return 0;
    memcpy(text, data, size);
    text[size] = '\0';
    if (chunk_text(&chunk, CHUNK_MARK, text, 0) == 0 && snapshot_note_parse(&chunk, &note) == 0) {
        read_again(&note);
        snapshot_note_done(&note);
    }
    chunk_done(&chunk);
    free(text);
    return 0;
}
