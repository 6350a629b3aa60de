// SPDX-License-Identifier: Apache-2.0
/*
 * table.h - a CSV of numbers, whole in memory. For recordings one trusts; wrong ones fail clearly.
 */
#ifndef CRANKTRAP_FAKEBOARD_TABLE_H
#define CRANKTRAP_FAKEBOARD_TABLE_H

#include <stddef.h>

#define TABLE_COLUMNS_MAX 65

struct table {
    size_t rows, columns;
    double *value;                     /* [row * columns + column] */
    char names[TABLE_COLUMNS_MAX][32]; /* of the heading; "" where there is none */
};

/*
 * Reads `path`: numbers between commas, the first column rising; the first row may be a heading.
 * 0, or -1 after saying on stderr what is wrong and in which row.
 */
int table_read(const char *path, struct table *table);

void table_free(struct table *table);

static inline double table_at(const struct table *table, size_t row, size_t column) {
    return table->value[row * table->columns + column];
}

#endif
