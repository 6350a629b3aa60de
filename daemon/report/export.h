// SPDX-License-Identifier: Apache-2.0
/*
 * export.h - a record for other programs: one file a board, in a format chosen by the file's name.
 *
 * What the formats have in common is here and in export.c; each has a writer in a file of its own
 * (export_format.h). The rules that a reader of the files must know are in docs/convert.md.
 */
#ifndef CRANKTRAP_EXPORT_H
#define CRANKTRAP_EXPORT_H

#include "playback.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct export_settings {
    double from_s, to_s; /* of the record's own axis; -INFINITY, INFINITY: all of it */
    bool counts;         /* the board's whole numbers, not the values in the channels' units */
    void (*progress)(void *context, double share); /* may be NULL: 0..1 */
    void *context;
};

/* A file that was written. */
struct export_file {
    char *path;
    const char *board; /* borrowed from the playback */
    size_t channels;
    uint64_t rows;
    uint64_t losses;  /* stretches of missing rows */
    uint64_t missing; /* rows missing in those that were counted */
    uint64_t pauses;  /* of a burst board, by design: no losses */
    double pauses_s;  /* all of them together */
};

struct export_result {
    size_t count;
    struct export_file *files;
};

/*
 * Writes the record to `out`, whose extension says the format; where several boards have channels,
 * to `out` with "-BOARD" before the extension, one each. Nothing is overwritten, and a file has its
 * name only when it is whole and on disk (until then NAME.part). The playback is narrowed to the
 * stretch. Memory does not grow with the record. 0; -ENOTSUP a format that is not known, -EEXIST a
 * file of that name is there, -ENODATA no channel or no scan, -ENOSPC, -EIO ...: with a sentence in
 * `why` that names the file. `*result` is untouched on failure; else export_result_done() it.
 */
int export_record(struct playback *playback, const char *out,
                  const struct export_settings *settings, struct export_result *result, char *why,
                  size_t why_size);

/* Frees what it holds; takes a zeroed one. */
void export_result_done(struct export_result *result);

#endif
