// SPDX-License-Identifier: Apache-2.0
/*
 * reading.c - how the parts of hookup take values out of a document.
 */
#include "reading.h"

#include "closest.h"

#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#define NAME_MAX_BYTES 48

void *reading_take(struct reading *reading, size_t size) {
    void *taken = arena_take(reading->arena, size);
    if (!taken)
        reading->out_of_memory = true;
    return taken;
}

void reading_problem(struct reading *reading, const struct document_section *section,
                     const struct document_entry *entry, const char *format, ...) {
    char *text = NULL;
    char *where = NULL;
    va_list arguments;
    va_start(arguments, format);
    if (vasprintf(&text, format, arguments) < 0)
        text = NULL;
    va_end(arguments);
    const char *title = section->title;
    if (asprintf(&where, "%s%s%s", title, entry ? " " : "", entry ? entry->key : "") < 0)
        where = NULL;
    if (!text || !where ||
        problems_add(reading->problems, entry ? entry->line : section->line, where,
                     entry ? entry->value : NULL, "%s", text) < 0)
        reading->out_of_memory = true;
    free(where);
    free(text);
}

static struct document_entry *find_entry(const struct document_section *section, const char *key) {
    for (struct document_entry *entry = section->entries; entry; entry = entry->next)
        if (strcmp(entry->key, key) == 0)
            return entry;
    return NULL;
}

const struct document_entry *
reading_entry(struct reading *reading, const struct document_section *section, const char *key) {
    struct document_entry *entry = find_entry(section, key);
    if (!entry)
        return NULL;
    bool first = !entry->used;
    entry->used = true;
    if (entry->value[0] != '\0')
        return entry;
    if (first)
        reading_problem(reading, section, entry, "has no value");
    return NULL;
}

const struct document_entry *reading_required(struct reading *reading,
                                              const struct document_section *section,
                                              const char *key, const char *what) {
    if (!find_entry(section, key))
        reading_problem(reading, section, NULL, "%s is missing: %s", key, what);
    return reading_entry(reading, section, key);
}

const char *reading_text(struct reading *reading, const struct document_section *section,
                         const char *key) {
    const struct document_entry *entry = reading_entry(reading, section, key);
    return entry ? entry->value : NULL;
}

bool reading_quantity(struct reading *reading, const struct document_section *section,
                      const struct document_entry *entry, const char *text, enum quantity quantity,
                      double lowest, double highest, double *value) {
    char why[QUANTITY_WHY_SIZE];
    double number;
    const char *unit = quantity_unit(quantity);
    const char *space = unit[0] ? " " : "";
    if (quantity_read(text, quantity, &number, why) < 0) {
        reading_problem(reading, section, entry, "%s", why);
        return false;
    }
    if (number >= lowest && number <= highest) {
        *value = number;
        return true;
    }
    if (isfinite(lowest) && isfinite(highest))
        reading_problem(reading, section, entry, "must lie within %.10g and %.10g%s%s", lowest,
                        highest, space, unit);
    else if (isfinite(lowest))
        reading_problem(reading, section, entry, "must be at least %.10g%s%s", lowest, space, unit);
    else
        reading_problem(reading, section, entry, "must be at most %.10g%s%s", highest, space, unit);
    return false;
}

bool reading_number(struct reading *reading, const struct document_section *section,
                    const char *key, enum quantity quantity, double lowest, double highest,
                    double *value) {
    const struct document_entry *entry = reading_entry(reading, section, key);
    return entry && reading_quantity(reading, section, entry, entry->value, quantity, lowest,
                                     highest, value);
}

bool reading_whole(struct reading *reading, const struct document_section *section, const char *key,
                   double lowest, double highest, uint64_t *value) {
    double number;
    if (!reading_number(reading, section, key, QUANTITY_PLAIN, lowest, highest, &number))
        return false;
    if (floor(number) < number) {
        reading_problem(reading, section, find_entry(section, key), "must be a whole number");
        return false;
    }
    *value = (uint64_t)number;
    return true;
}

/* A growing list "a, b, c" and, beside it, the word closest to what was read. */
struct guess {
    const char *read;
    const char *best;
    size_t distance;
    char *list; /* NULL: no memory, or nothing yet */
};

static void guess_add(struct guess *guess, const char *word) {
    size_t distance = closest_distance(guess->read, word);
    if (!guess->best || distance < guess->distance) {
        guess->best = word;
        guess->distance = distance;
    }
    char *longer = NULL;
    if (asprintf(&longer, "%s%s%s", guess->list ? guess->list : "", guess->list ? ", " : "", word) <
        0)
        return;
    free(guess->list);
    guess->list = longer;
}

/* ` Did you mean "nominal"?`, or an empty text. */
static const char *guess_text(const struct guess *guess, char *text, size_t size) {
    text[0] = '\0';
    if (guess->best && closest_enough(guess->read, guess->distance))
        snprintf(text, size, " Did you mean \"%s\"?", guess->best);
    return text;
}

int reading_word(struct reading *reading, const struct document_section *section,
                 const struct document_entry *entry, const char *const *words, size_t count) {
    struct guess guess = {.read = entry->value};
    for (size_t i = 0; i < count; i++) {
        if (strcmp(entry->value, words[i]) == 0) {
            free(guess.list);
            return (int)i;
        }
        guess_add(&guess, words[i]);
    }
    char meant[96];
    reading_problem(reading, section, entry, "allowed: %s.%s", guess.list ? guess.list : "nothing",
                    guess_text(&guess, meant, sizeof meant));
    free(guess.list);
    return -1;
}

void reading_rest(struct reading *reading, const struct document_section *section,
                  const char *const *keys, const struct board_option *more) {
    for (const struct document_entry *entry = section->entries; entry; entry = entry->next) {
        if (entry->used)
            continue;
        struct guess guess = {.read = entry->key};
        for (size_t i = 0; keys[i]; i++)
            guess_add(&guess, keys[i]);
        for (size_t i = 0; more && more[i].name; i++)
            guess_add(&guess, more[i].name);
        char meant[96];
        reading_problem(reading, section, entry, "unknown key.%s Known here: %s",
                        guess_text(&guess, meant, sizeof meant), guess.list ? guess.list : "none");
        free(guess.list);
    }
}

void reading_kinds(struct reading *reading, const char *const *kinds, size_t count) {
    for (const struct document_section *section = reading->document->sections; section;
         section = section->next) {
        struct guess guess = {.read = section->kind};
        bool known = false;
        for (size_t i = 0; i < count; i++) {
            known = known || strcmp(kinds[i], section->kind) == 0;
            guess_add(&guess, kinds[i]);
        }
        char meant[96];
        if (!known)
            reading_problem(reading, section, NULL, "unknown kind of section.%s Known: %s",
                            guess_text(&guess, meant, sizeof meant), guess.list ? guess.list : "");
        free(guess.list);
    }
}

const struct document_section *reading_next(const struct reading *reading,
                                            const struct document_section *after,
                                            const char *kind) {
    const struct document_section *section = after ? after->next : reading->document->sections;
    while (section && strcmp(section->kind, kind) != 0)
        section = section->next;
    return section;
}

size_t reading_count(const struct reading *reading, const char *kind) {
    size_t count = 0;
    for (const struct document_section *section = reading_next(reading, NULL, kind); section;
         section = reading_next(reading, section, kind))
        count++;
    return count;
}

const struct document_section *reading_only(struct reading *reading, const char *kind) {
    const struct document_section *first = reading_next(reading, NULL, kind);
    if (!first)
        return NULL;
    if (first->name[0] != '\0')
        reading_problem(reading, first, NULL, "has no name: write [%s]", kind);
    for (const struct document_section *again = reading_next(reading, first, kind); again;
         again = reading_next(reading, again, kind))
        reading_problem(reading, again, NULL, "stands here twice (also in line %u): join them",
                        first->line);
    return first;
}

bool reading_name(struct reading *reading, const struct document_section *section) {
    if (section->name[0] == '\0') {
        reading_problem(reading, section, NULL, "needs a name: [%s NAME]", section->kind);
        return false;
    }
    size_t length = strlen(section->name);
    if (length > NAME_MAX_BYTES || strcspn(section->name, " \t,;=\"'/\\:") != length) {
        reading_problem(reading, section, NULL,
                        "a name has at most %d bytes, and no space, comma, semicolon, colon, =, "
                        "quote or slash in it: it becomes a column's name and part of commands",
                        NAME_MAX_BYTES);
        return false;
    }
    for (const struct document_section *other = reading_next(reading, NULL, section->kind);
         other && other != section; other = reading_next(reading, other, section->kind))
        if (strcmp(other->name, section->name) == 0) {
            reading_problem(reading, section, NULL,
                            "this name is taken already (line %u): every %s needs its own",
                            other->line, section->kind);
            return false;
        }
    return true;
}
