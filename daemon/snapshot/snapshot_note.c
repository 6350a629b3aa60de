// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_note.c - the snapshot's own mark, to JSON and back.
 */
#include "snapshot_note.h"

#include <errno.h>
#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void boot_text(const uint8_t boot[16], char text[33]) {
    for (size_t i = 0; i < 16; i++)
        snprintf(text + 2 * i, 3, "%02x", boot[i]);
}

static bool parse_boot(const char *text, uint8_t boot[16]) {
    if (strlen(text) != 32 || strspn(text, "0123456789abcdef") != 32)
        return false;
    for (size_t i = 0; i < 16; i++) {
        const char digits[3] = {text[2 * i], text[2 * i + 1], '\0'};
        boot[i] = (uint8_t)strtoul(digits, NULL, 16);
    }
    return true;
}

/* Whatever is not UTF-8 has no place in JSON: such a text is left out. */
static json_t *text_or_null(const char *text) {
    json_t *made = json_string(text);
    return made ? made : json_null();
}

int snapshot_note_chunk(const struct snapshot_note *note, struct chunk *chunk) {
    char boot[33];
    boot_text(note->boot, boot);
    json_t *root =
        json_pack("{s:s, s:I, s:o, s:o, s:I, s:I, s:I, s:s, s:b}", "kind", "snapshot", "number",
                  (json_int_t)note->number, "trigger", text_or_null(note->trigger), "text",
                  text_or_null(note->text), "at_ns", (json_int_t)note->at_ns, "from_ns",
                  (json_int_t)note->from_ns, "to_ns", (json_int_t)note->to_ns, "boot", boot,
                  "cut_short", (int)note->cut_short);
    if (!root)
        return -ENOMEM;
    char *text = json_dumps(root, JSON_COMPACT);
    json_decref(root);
    if (!text)
        return -ENOMEM;
    int error = chunk_text(chunk, CHUNK_MARK, text, note->at_ns);
    free(text);
    return error;
}

static int take_fields(json_t *root, struct snapshot_note *note) {
    const char *boot = NULL;
    const char *trigger = NULL;
    const char *text = NULL;
    json_int_t number = 0;
    json_int_t at = 0;
    json_int_t from = 0;
    json_int_t to = 0;
    int cut_short = 1;
    if (json_unpack(root, "{s:I, s?s, s?s, s:I, s:I, s:I, s:s, s:b}", "number", &number, "trigger",
                    &trigger, "text", &text, "at_ns", &at, "from_ns", &from, "to_ns", &to, "boot",
                    &boot, "cut_short", &cut_short) < 0)
        return -EBADMSG;
    struct snapshot_note made = {.number = (unsigned)number,
                                 .at_ns = at,
                                 .from_ns = from,
                                 .to_ns = to,
                                 .cut_short = cut_short != 0};
    if (number < 1 || number > INT32_MAX || from > to || !parse_boot(boot, made.boot))
        return -EBADMSG;
    made.trigger = strdup(trigger ? trigger : "");
    made.text = strdup(text ? text : "");
    if (!made.trigger || !made.text) {
        snapshot_note_done(&made);
        return -ENOMEM;
    }
    *note = made;
    return 0;
}

int snapshot_note_parse(const struct chunk *chunk, struct snapshot_note *note) {
    const char *json = NULL;
    size_t length = 0;
    int error = chunk_parse_text(chunk, &json, &length);
    if (error)
        return error;
    json_t *root = json_loadb(json, length, 0, NULL);
    if (!root)
        return -EBADMSG;
    const char *kind = json_string_value(json_object_get(root, "kind"));
    error = kind && strcmp(kind, "snapshot") == 0 ? take_fields(root, note) : -ENOMSG;
    json_decref(root);
    return error;
}

int snapshot_note_copy(const struct snapshot_note *note, struct snapshot_note *copy) {
    struct snapshot_note made = *note;
    made.trigger = strdup(note->trigger ? note->trigger : "");
    made.text = strdup(note->text ? note->text : "");
    if (!made.trigger || !made.text) {
        snapshot_note_done(&made);
        return -ENOMEM;
    }
    *copy = made;
    return 0;
}

void snapshot_note_done(struct snapshot_note *note) {
    if (!note)
        return;
    free(note->trigger);
    free(note->text);
    note->trigger = NULL;
    note->text = NULL;
}
