// SPDX-License-Identifier: Apache-2.0
/*
 * problems.c - every error of a file at once, each with its place and remedy.
 */
#include "problems.h"

#include "utf8.h"

#include <errno.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#define READ_SHOWN 80

static void free_problem(struct problem *problem) {
    free(problem->where);
    free(problem->read);
    free(problem->text);
}

int problems_add(struct problems *problems, unsigned line, const char *where, const char *read,
                 const char *format, ...) {
    struct problem added = {.line = line};
    va_list arguments;
    va_start(arguments, format);
    if (vasprintf(&added.text, format, arguments) < 0)
        added.text = NULL;
    va_end(arguments);
    if (where)
        added.where = strdup(where);
    if (read)
        added.read = strdup(read);
    struct problem *grown =
        reallocarray(problems->problem, problems->count + 1, sizeof *problems->problem);
    if (grown)
        problems->problem = grown;
    if (!grown || !added.text || (where && !added.where) || (read && !added.read)) {
        free_problem(&added);
        return -ENOMEM;
    }
    char *texts[] = {added.where, added.read, added.text};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++)
        if (texts[i])
            utf8_tame(texts[i]);
    problems->problem[problems->count++] = added;
    return 0;
}

/* What was read, shortened, but never to half a character. */
static void print_read(const char *read, FILE *stream) {
    size_t shown = strnlen(read, READ_SHOWN);
    while (((unsigned char)read[shown] & 0xc0) == 0x80)
        shown++;
    fprintf(stream, "read \"%.*s%s\": ", (int)shown, read, read[shown] ? "..." : "");
}

static void print_one(const struct problem *problem, const char *file, FILE *stream) {
    fprintf(stream, "%s:", file);
    if (problem->line > 0)
        fprintf(stream, "%u:", problem->line);
    fputc(' ', stream);
    if (problem->where)
        fprintf(stream, "%s: ", problem->where);
    if (problem->read)
        print_read(problem->read, stream);
    fprintf(stream, "%s\n", problem->text);
}

static int by_line(const void *left, const void *right) {
    const struct problem *const *a = left;
    const struct problem *const *b = right;
    if ((*a)->line != (*b)->line)
        return (*a)->line < (*b)->line ? -1 : 1;
    /* Same line: in the order found (both point into one array). */
    return *a < *b ? -1 : *a > *b;
}

void problems_print(const struct problems *problems, const char *file, FILE *stream) {
    const struct problem **order = calloc(problems->count + 1, sizeof *order);
    for (size_t i = 0; order && i < problems->count; i++)
        order[i] = &problems->problem[i];
    if (order)
        qsort(order, problems->count, sizeof *order, by_line);
    for (size_t i = 0; i < problems->count; i++)
        print_one(order ? order[i] : &problems->problem[i], file, stream);
    free(order);
}

void problems_clear(struct problems *problems) {
    if (!problems)
        return;
    for (size_t i = 0; i < problems->count; i++)
        free_problem(&problems->problem[i]);
    free(problems->problem);
    *problems = (struct problems){0};
}
