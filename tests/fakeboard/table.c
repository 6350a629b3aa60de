// SPDX-License-Identifier: Apache-2.0
/*
 * table.c - reads a CSV of numbers.
 */
#include "table.h"

#include <errno.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct reading {
    const char *path;
    size_t line;
    struct table *table;
    size_t room; /* values that fit */
};

static int wrong(const struct reading *reading, const char *what) {
    fprintf(stderr, "fakeboard: %s, row %zu: %s\n", reading->path, reading->line, what);
    return -1;
}

/* Cuts the line at its commas; the number of pieces. Surrounding blanks are taken off. */
static size_t cut(char *line, char **piece) {
    size_t pieces = 0;
    for (char *rest = line; rest && pieces < TABLE_COLUMNS_MAX; pieces++) {
        char *text = strsep(&rest, ",");
        text += strspn(text, " \t");
        size_t length = strlen(text);
        while (length && strchr(" \t\r\n", text[length - 1]))
            text[--length] = '\0';
        piece[pieces] = text;
    }
    return pieces;
}

static bool number(const char *text, double *value) {
    char *end;
    *value = strtod(text, &end);
    return end != text && *end == '\0' && isfinite(*value);
}

static int take_heading(struct reading *reading, char **piece, size_t pieces) {
    for (size_t i = 0; i < pieces; i++)
        snprintf(reading->table->names[i], sizeof reading->table->names[i], "%s", piece[i]);
    reading->table->columns = pieces;
    return 0;
}

static int take_row(struct reading *reading, char **piece, size_t pieces) {
    struct table *table = reading->table;
    if (!table->columns)
        table->columns = pieces;
    if (pieces != table->columns)
        return wrong(reading, "not as many columns as the rows before");
    if ((table->rows + 1) * pieces > reading->room) {
        reading->room = 2 * reading->room + 64 * pieces;
        double *larger = realloc(table->value, reading->room * sizeof *larger);
        if (!larger)
            return wrong(reading, "not enough memory");
        table->value = larger;
    }
    double *row = table->value + table->rows * pieces;
    for (size_t i = 0; i < pieces; i++)
        if (!number(piece[i], &row[i]))
            return wrong(reading, "not a number");
    if (table->rows && row[0] <= row[-(ptrdiff_t)pieces])
        return wrong(reading, "the time in column 0 does not rise");
    table->rows++;
    return 0;
}

static int take_line(struct reading *reading, char *line) {
    char *piece[TABLE_COLUMNS_MAX];
    double value;
    size_t pieces = cut(line, piece);
    reading->line++;
    if (pieces == 1 && !*piece[0])
        return 0;
    if (pieces < 2)
        return wrong(reading, "a time and at least one more column are wanted");
    if (reading->line == 1 && !number(piece[0], &value))
        return take_heading(reading, piece, pieces);
    return take_row(reading, piece, pieces);
}

int table_read(const char *path, struct table *table) {
    struct reading reading = {.path = path, .table = table};
    memset(table, 0, sizeof *table);
    FILE *file = fopen(path, "r");
    if (!file) {
        fprintf(stderr, "fakeboard: %s: %s\n", path, strerror(errno));
        return -1;
    }
    char *line = NULL;
    size_t size = 0;
    int result = 0;
    while (result == 0 && getline(&line, &size, file) >= 0)
        result = take_line(&reading, line);
    if (result == 0 && table->rows < 2)
        result = wrong(&reading, "at least two rows of numbers are wanted");
    free(line);
    fclose(file);
    if (result < 0)
        table_free(table);
    return result;
}

void table_free(struct table *table) {
    free(table->value);
    table->value = NULL;
}
