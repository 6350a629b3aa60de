// SPDX-License-Identifier: Apache-2.0
/*
 * export_about.h - what a format has no room for: the JSON file beside it ("cranktrap.rows/1",
 * docs/convert.md).
 */
#ifndef CRANKTRAP_EXPORT_ABOUT_H
#define CRANKTRAP_EXPORT_ABOUT_H

#include "export_format.h"

/* Rows as a writer saw them go by. */
struct export_rows {
    uint64_t rows;   /* written, filled ones among them */
    uint64_t filled; /* in place of missing ones */
    double first_s;  /* times of the first and of the last row; NAN: none yet */
    double last_s;
    double next_s; /* where the next row is due */
};

/* Begins to count. */
struct export_rows export_rows_begin(void);

/*
 * Takes a run in: how many rows are missing before it, by its time (0 at the beginning). `fill`:
 * they count as rows.
 */
uint64_t export_rows_take(struct export_rows *rows, const struct record_run *run, bool fill);

/* Scans a second from the first row to the last, missing ones filled; NAN: fewer than two rows. */
double export_rows_rate(const struct export_rows *rows);

/* The JSON, allocated; NULL: no memory. `filled`: with what missing rows are; NULL: nothing is. */
char *export_about_text(const struct export_table *table, const struct export_rows *rows,
                        const char *filled);

/* Creates `path` and writes it, to the disk. 0 or -errno. */
int export_about_write(const struct export_table *table, const struct export_rows *rows,
                       const char *filled, const char *path);

#endif
