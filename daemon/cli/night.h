// SPDX-License-Identifier: Apache-2.0
/*
 * night.h - all snapshots of a state folder with the reports the daemon had made of them, and the
 * attempts in these, each once.
 */
#ifndef CRANKTRAP_NIGHT_H
#define CRANKTRAP_NIGHT_H

#include "command.h"
#include "snapshot.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

/* A row of `list`: an attempt, or a snapshot without one. */
struct night_row {
    unsigned snapshot;     /* its number */
    const char *path;      /* of the .crank file */
    const json_t *report;  /* borrowed; NULL: not analysed yet, or not readable */
    const json_t *attempt; /* borrowed; NULL: the snapshot holds none */
    double elapsed_s;      /* of the starter's engagement (or the snapshot's beginning) */
    bool failed;           /* an attempt that did not start, or a fault was found */
};

struct night {
    struct snapshot_entry *entries;
    json_t **reports; /* one per entry, NULL where there is none */
    size_t entry_count;
    struct night_row *rows; /* in order of time */
    size_t row_count;
    size_t attempt_count;
};

/* Loads; what cannot be read is said on stderr. 0 or a negative errno (said too). */
int night_load(const struct command_line *line, struct night *night);

/*
 * The same, but what has no report yet (or one of another version of the program) is analysed anew,
 * in memory. `count` > 0: the named files instead of the state folder's snapshots, numbered as
 * named; all of them are analysed.
 */
int night_load_analysed(const struct command_line *line, char *const *paths, size_t count,
                        struct night *night);

/* Frees what it holds; takes a zeroed one. */
void night_done(struct night *night);

/* The row `report` shows without argument: the latest that failed, else the latest; NULL: none. */
const struct night_row *night_chosen(const struct night *night);

/* The attempt's place among all attempts of the night, 1..; 0 where the row has none. */
size_t night_attempt_place(const struct night *night, const struct night_row *row);

/* When the last `ready` began this night: seconds since 1970. NAN: never; a file that cannot be
 * read is said on stderr. */
double night_begin(const struct command_line *line);

#endif
