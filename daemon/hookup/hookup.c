// SPDX-License-Identifier: Apache-2.0
/*
 * hookup.c - reads a hookup file whole: text, sections, checks; all of it or nothing.
 */
#include "hookup.h"

#include "board_files.h"
#include "reading.h"
#include "text_file.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define TEXT_MAX (1U << 20)

static const char *const kinds[] = {"vehicle", "board",  "channel", "sensor",
                                    "trigger", "limits", "storage"};

static void require_sections(struct reading *reading) {
    const struct hookup *hookup = &reading->whole->hookup;
    if (reading->use == HOOKUP_FOR_BOARDS && reading_count(reading, "board") == 0 &&
        problems_add(reading->problems, 0, NULL, NULL,
                     "no [board NAME] section: which board are the leads on?") < 0)
        reading->out_of_memory = true;
    if (hookup->vehicle.channel_count == 0 && reading_count(reading, "channel") == 0 &&
        problems_add(reading->problems, 0, NULL, NULL,
                     "no [channel NAME] section: which lead is on which input?") < 0)
        reading->out_of_memory = true;
}

/* Each part may look at what the parts before it have read. */
static void read_parts(struct reading *reading) {
    reading_kinds(reading, kinds, sizeof kinds / sizeof kinds[0]);
    reading_vehicle(reading);
    reading_limits(reading);
    reading_storage(reading);
    reading_boards(reading);
    reading_channels(reading);
    reading_sensors(reading);
    reading_triggers(reading);
    require_sections(reading);
    if (reading->try_boards)
        reading_try_boards(reading);
}

static int parse(const char *text, size_t length, enum hookup_use use, bool try_boards,
                 struct hookup **hookup, struct problems *problems) {
    if (length > TEXT_MAX)
        return -EFBIG;
    struct hookup_whole *whole = calloc(1, sizeof *whole);
    if (!whole)
        return -ENOMEM;
    struct document document;
    size_t problems_before = problems->count;
    struct reading reading = {.document = &document,
                              .problems = problems,
                              .arena = &whole->arena,
                              .use = use,
                              .try_boards = try_boards,
                              .whole = whole};
    whole->hookup.text = arena_text(&whole->arena, text, length);
    int result = whole->hookup.text ? 0 : -ENOMEM;
    if (result == 0)
        result = document_read(text, length, &whole->arena, &document, problems);
    if (result == 0)
        read_parts(&reading);
    if (result == 0 && reading.out_of_memory)
        result = -ENOMEM;
    if (result == 0 && problems->count > problems_before)
        result = -EINVAL;
    if (result == 0)
        *hookup = &whole->hookup;
    else
        hookup_free(&whole->hookup);
    return result;
}

int hookup_parse(const char *text, size_t length, enum hookup_use use, struct hookup **hookup,
                 struct problems *problems) {
    return parse(text, length, use, false, hookup, problems);
}

int hookup_parse_live(const char *text, size_t length, struct hookup **hookup,
                      struct problems *problems) {
    return parse(text, length, HOOKUP_FOR_BOARDS, true, hookup, problems);
}

int hookup_load(const char *path, enum hookup_use use, struct hookup **hookup,
                struct problems *problems) {
    char *text = NULL;
    size_t length = 0;
    int result = text_file_read(path, TEXT_MAX, &text, &length);
    if (result == 0)
        result = parse(text, length, use, use == HOOKUP_FOR_BOARDS, hookup, problems);
    free(text);
    return result;
}

void hookup_free(struct hookup *hookup) {
    if (!hookup)
        return;
    struct hookup_whole *whole = (struct hookup_whole *)hookup;
    for (size_t i = 0; i < whole->board_file_count; i++)
        board_files_free(whole->board_files[i]);
    free(whole->calibrations);
    arena_clear(&whole->arena);
    free(whole);
}
