// SPDX-License-Identifier: Apache-2.0
/*
 * import_rows.h - bytes of a CSV file (RFC 4180) to rows of fields, fed in pieces of any size.
 *
 * Lines end with LF or CRLF; empty lines are passed over; a byte order mark is taken off. Pure:
 * memory does not grow with the file.
 */
#ifndef CRANKTRAP_IMPORT_ROWS_H
#define CRANKTRAP_IMPORT_ROWS_H

#include <stdbool.h>
#include <stddef.h>

#define IMPORT_ROW_BYTES  65536
#define IMPORT_FIELDS_MAX 66 /* time, 64 inputs, and one more to tell that there are too many */

struct import_field {
    const char *text; /* ends with a 0, which is not counted; blanks around it are cut off */
    size_t length;
};

struct import_row {
    unsigned line; /* of the file, 1..: where the row begins */
    size_t count;  /* fields in the file; those beyond IMPORT_FIELDS_MAX are only counted */
    struct import_field field[IMPORT_FIELDS_MAX];
};

struct import_rows_sinks {
    void *context;
    /* A row. Not 0: stop (import_rows_push returns it). Valid during the call. */
    int (*row)(void *context, const struct import_row *row);
    /* A row that breaks the rules of the format: `what` is a plain sentence. Same return. */
    int (*broken)(void *context, unsigned line, const char *what);
};

struct import_rows;

/* 0 or -ENOMEM; `sinks` is copied. */
int import_rows_new(const struct import_rows_sinks *sinks, struct import_rows **rows);

/* Takes the next bytes of the file. 0, or what a sink returned. */
int import_rows_push(struct import_rows *rows, const char *bytes, size_t count);

/* The file ends: its last line may lack an end. 0, or what a sink returned. */
int import_rows_finish(struct import_rows *rows);

/* Frees; takes NULL. */
void import_rows_free(struct import_rows *rows);

#endif
