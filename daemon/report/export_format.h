// SPDX-License-Identifier: Apache-2.0
/*
 * export_format.h - what a format of `export` is: a writer in a file of its own, and a line in the
 * list of export.c.
 */
#ifndef CRANKTRAP_EXPORT_FORMAT_H
#define CRANKTRAP_EXPORT_FORMAT_H

#include "export.h"

/* One board's channels, as a writer gets them. Everything is borrowed and outlives the writer. */
struct export_table {
    const struct playback *playback;
    const struct record *record;
    const struct head_stream *board;
    size_t stream; /* of the record; losses of other streams are not this table's */
    bool counts;   /* write counts, not values */
    size_t columns;
    const struct vehicle_channel *column[BOARD_INPUTS_MAX]; /* in the hookup's order */
    unsigned bits[BOARD_INPUTS_MAX];                        /* of the column's input; 32: unknown */
};

struct export_format {
    const char *extension; /* ".csv" */
    const char *companion; /* extension of a second file that it writes, or NULL */

    /* Creates `path`, which is not there, and writes what stands before the rows. `companion` is
     * the second file's path (NULL: none), created here or in finish(); it stays valid until then.
     * On failure a negative errno, and `*writer` is untouched. */
    int (*begin)(const struct export_table *table, const char *path, const char *companion,
                 void **writer);

    /* Writes a run of the table's stream. 0 or a negative errno. */
    int (*run)(void *writer, const struct record_run *run);

    /* Writes what stands behind the rows; everything is then on disk. 0 or a negative errno. */
    int (*finish)(void *writer);

    /* Closes and frees; takes NULL, and writers that have not finished. */
    void (*free)(void *writer);
};

extern const struct export_format export_csv;
extern const struct export_format export_npy;
extern const struct export_format export_wav;
extern const struct export_format export_comtrade;
extern const struct export_format export_hdf5;

/* Put a number in little-endian order, and return what comes behind it. */
unsigned char *export_put_double(unsigned char *to, double value);
unsigned char *export_put_int32(unsigned char *to, int32_t value);
unsigned char *export_put_int16(unsigned char *to, int32_t value);

#endif
