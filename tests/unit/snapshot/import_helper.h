// SPDX-License-Identifier: Apache-2.0
/*
 * import_helper.h - CSV texts through the import, and what is then in the container.
 */
#ifndef CRANKTRAP_TESTS_IMPORT_HELPER_H
#define CRANKTRAP_TESTS_IMPORT_HELPER_H

#include "container.h"
#include "head.h"
#include "import.h"

#include <stdbool.h>
#include <stdint.h>

#define IMPORT_RUN_LOSSES 16
#define IMPORT_RUN_CLOCKS 64

/* One import, in a folder of its own under /tmp. */
struct import_run {
    char folder[64];
    char csv[96], hookup[96], out[96], part[96];
    int status; /* of import_csv */
    int hookup_wrong;
    struct import_result result;
    struct problems problems;

    /* What the container holds; after import_run_open. */
    struct head *head;
    uint64_t scans; /* decoded, without the missing ones */
    size_t inputs;
    int32_t *counts;      /* counts[scan * inputs + input] in order */
    uint64_t *scan_index; /* number of each scan in its stream */
    size_t losses;
    struct {
        uint64_t first_scan, scans;
    } loss[IMPORT_RUN_LOSSES];
    size_t clocks;
    struct chunk_clock clock[IMPORT_RUN_CLOCKS];
    size_t blocks;
    uint64_t largest_block;
};

/* Makes the folder and the hookup file. */
void import_run_begin(struct import_run *run, const char *hookup);

/* Writes the CSV and imports it. */
void import_run_text(struct import_run *run, const char *csv, size_t length);

/* Imports the CSV that is there. */
void import_run_file(struct import_run *run);

/* Opens the container of an import that must have succeeded, and decodes all of it. */
void import_run_open(struct import_run *run);

/* Some problem says `text` on that line. */
bool import_run_says(const struct import_run *run, unsigned line, const char *text);

/* Frees and removes the folder. */
void import_run_end(struct import_run *run);

#endif
