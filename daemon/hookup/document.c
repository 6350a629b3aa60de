// SPDX-License-Identifier: Apache-2.0
/*
 * document.c - an INI text as sections and entries with their lines.
 *
 * The distribution's inih gives its handler no line numbers, drops sections without entries and
 * reports only the first bad line. It pulls its text through a reader of ours, one line a call:
 * what the handler has not taken when the next line is asked for was no entry.
 */
#include "document.h"

#include "utf8.h"

#include <errno.h>
#include <ini.h>
#include <stdint.h>
#include <string.h>

struct splitter {
    const char *text, *end;
    struct arena *arena;
    struct problems *problems;
    struct document_section *section; /* the one being filled; NULL before the first */
    struct document_section **next_section;
    struct document_entry **next_entry;
    const char *line_begin; /* the line handed out last */
    size_t line_length;
    unsigned line;
    bool expects_entry; /* ... is neither blank, comment nor section */
    bool out_of_memory;
};

static bool is_blank(char byte) {
    return byte == ' ' || (byte >= '\t' && byte <= '\r');
}

/* Cuts white space off both ends. */
static void trim(const char **text, size_t *length) {
    while (*length && is_blank(**text)) {
        ++*text;
        --*length;
    }
    while (*length && is_blank((*text)[*length - 1]))
        --*length;
}

static void complain(struct splitter *splitter, const char *where, const char *read,
                     const char *text) {
    if (problems_add(splitter->problems, splitter->line, where, read, "%s", text) < 0)
        splitter->out_of_memory = true;
}

/* Where the last line should have become an entry and did not, says so. */
static void check_last_line(struct splitter *splitter) {
    if (!splitter->expects_entry)
        return;
    splitter->expects_entry = false;
    char *read = arena_text(splitter->arena, splitter->line_begin, splitter->line_length);
    if (!read)
        splitter->out_of_memory = true;
    complain(splitter, splitter->section ? splitter->section->title : NULL, read,
             "not understood: a line is \"key = value\", \"[section]\" or a comment that begins "
             "with ;");
}

/* Begins a section from its line, "[kind name] ; comment". */
static void begin_section(struct splitter *splitter, const char *line, size_t length) {
    const char *close = memchr(line, ']', length);
    const char *comment = close ? close + 1 : NULL;
    while (comment && comment < line + length && is_blank(*comment))
        comment++;
    if (!close || (comment < line + length && *comment != ';' && *comment != '#')) {
        char *read = arena_text(splitter->arena, line, length);
        complain(splitter, NULL, read, "not understood: a section is \"[kind name]\"");
    }
    const char *inside = line + 1;
    size_t inside_length = (size_t)((close ? close : line + length) - inside);
    trim(&inside, &inside_length);
    size_t kind_length = 0;
    while (kind_length < inside_length && !is_blank(inside[kind_length]))
        kind_length++;
    const char *name = inside + kind_length;
    size_t name_length = inside_length - kind_length;
    trim(&name, &name_length);

    struct document_section *section = arena_take(splitter->arena, sizeof *section);
    char *title = arena_take(splitter->arena, inside_length + 3);
    char *kind_text = arena_text(splitter->arena, inside, kind_length);
    char *name_text = arena_text(splitter->arena, name, name_length);
    if (!section || !title || !kind_text || !name_text) {
        splitter->out_of_memory = true;
        return;
    }
    title[0] = '[';
    memcpy(title + 1, inside, inside_length);
    title[inside_length + 1] = ']';
    *section = (struct document_section){
        .title = title, .kind = kind_text, .name = name_text, .line = splitter->line};
    *splitter->next_section = section;
    splitter->next_section = &section->next;
    splitter->section = section;
    splitter->next_entry = &section->entries;
}

/* inih's fgets: the next line into `buffer`, without what inih would make of its indent. */
static char *next_line(char *buffer, int size, void *context) {
    struct splitter *splitter = context;
    check_last_line(splitter);
    if (splitter->text == splitter->end || splitter->out_of_memory)
        return NULL;
    splitter->line++;
    const char *line = splitter->text;
    const char *feed = memchr(line, '\n', (size_t)(splitter->end - line));
    size_t length = (size_t)((feed ? feed : splitter->end) - line);
    splitter->text = feed ? feed + 1 : splitter->end;
    trim(&line, &length);
    splitter->line_begin = line;
    splitter->line_length = length;

    buffer[0] = '\n';
    buffer[1] = '\0';
    if (length == 0 || line[0] == ';' || line[0] == '#')
        return buffer;
    if (line[0] == '[') {
        begin_section(splitter, line, length);
        return buffer;
    }
    if (length + 2 > (size_t)size) {
        char text[80];
        snprintf(text, sizeof text, "the line is too long: %d bytes at most", size - 2);
        complain(splitter, splitter->section ? splitter->section->title : NULL, NULL, text);
        return buffer;
    }
    splitter->expects_entry = true;
    memcpy(buffer, line, length);
    buffer[length] = '\n';
    buffer[length + 1] = '\0';
    return buffer;
}

/* inih's handler: an entry. Its idea of the section is not used (it knows no repeated ones). */
static int take_entry(void *context, const char *unused, const char *key, const char *value) {
    (void)unused;
    struct splitter *splitter = context;
    splitter->expects_entry = false;
    if (!splitter->section) {
        complain(splitter, key, value, "stands before the first section");
        return 1;
    }
    for (const struct document_entry *entry = splitter->section->entries; entry;
         entry = entry->next)
        if (strcmp(entry->key, key) == 0) {
            if (problems_add(splitter->problems, splitter->line, splitter->section->title, value,
                             "%s stands here twice (also in line %u): keep one", key,
                             entry->line) < 0)
                splitter->out_of_memory = true;
            return 1;
        }
    struct document_entry *entry = arena_take(splitter->arena, sizeof *entry);
    char *key_text = arena_text(splitter->arena, key, strlen(key));
    char *value_text = arena_text(splitter->arena, value, strlen(value));
    if (!entry || !key_text || !value_text) {
        splitter->out_of_memory = true;
        return 0;
    }
    *entry = (struct document_entry){.key = key_text, .value = value_text, .line = splitter->line};
    *splitter->next_entry = entry;
    splitter->next_entry = &entry->next;
    return 1;
}

/* The first byte that is no text becomes a problem: the file goes whole into JSON later. */
static void check_text(struct splitter *splitter) {
    unsigned line = 1;
    for (const char *at = splitter->text; at < splitter->end;) {
        size_t length = utf8_length(at, (size_t)(splitter->end - at));
        unsigned char byte = (unsigned char)*at;
        bool control = byte == 0x7f || (byte < 0x20 && !is_blank(*at));
        if (length == 0 || control) {
            if (problems_add(splitter->problems, line, NULL, NULL,
                             "byte 0x%02x is no text: save the file as plain text in UTF-8",
                             byte) < 0)
                splitter->out_of_memory = true;
            return;
        }
        line += byte == '\n';
        at += length;
    }
}

int document_read(const char *text, size_t length, struct arena *arena, struct document *document,
                  struct problems *problems) {
    *document = (struct document){0};
    struct splitter splitter = {.text = text,
                                .end = text + length,
                                .arena = arena,
                                .problems = problems,
                                .next_section = &document->sections};
    check_text(&splitter);
    /* A NUL would end inih's line early, and what follows it would vanish unsaid. */
    const char *nul = length ? memchr(text, '\0', length) : NULL;
    if (nul)
        splitter.end = nul;
    if (length >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0)
        splitter.text += 3;
    (void)ini_parse_stream(next_line, &splitter, take_entry, &splitter);
    check_last_line(&splitter);
    return splitter.out_of_memory ? -ENOMEM : 0;
}
