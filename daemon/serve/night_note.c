// SPDX-License-Identifier: Apache-2.0
/*
 * night_note.c - the note as JSON, put in the place of the older one.
 */
#include "night_note.h"

#include "text_file.h"

#include <errno.h>
#include <stdlib.h>

#define NOTE_NAME "night.json"

json_t *night_note_json(int64_t wall_ns, int64_t elapsed_ns) {
    return json_pack("{s:s, s:I, s:f}", "schema", "cranktrap.ready-night/1", "since_s",
                     (json_int_t)(wall_ns / 1000000000), "elapsed_s", (double)elapsed_ns * 1e-9);
}

int night_note_write(const char *folder, const json_t *note) {
    char *text = json_dumps(note, JSON_REAL_PRECISION(15));
    int result = text ? text_file_replace(folder, NOTE_NAME, text) : -ENOMEM;
    free(text);
    return result;
}
