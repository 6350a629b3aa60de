// SPDX-License-Identifier: Apache-2.0
/*
 * import_survey.h - the first pass over a CSV file: everything is checked, nothing is kept.
 *
 * Takes the rows of import_rows and finds the columns, how many decimals each needs, the period
 * and what is missing; every rule of docs/import.md is enforced here. Memory does not grow with
 * the file.
 */
#ifndef CRANKTRAP_IMPORT_SURVEY_H
#define CRANKTRAP_IMPORT_SURVEY_H

#include "hookup.h"
#include "import_grid.h"
#include "import_rows.h"

#define IMPORT_PROBLEMS_MAX 20   /* told one by one; the rest is counted */
#define IMPORT_FIRST_ROWS   1024 /* from which the period is found */

/* A column of values: counts are the values times 10^decimals. */
struct import_column {
    size_t channel; /* of the hookup */
    int decimals;
    int64_t lowest, highest; /* counts */
    unsigned decimals_line;  /* the row that needs so many decimals */
    unsigned largest_line;   /* the row farthest from 0 */
};

struct import_survey {
    const struct hookup *hookup;
    struct problems *problems;
    bool has_header;
    size_t column_count; /* without the time */
    struct import_column columns[BOARD_INPUTS_MAX];
    uint64_t complaints; /* all of them */
    unsigned newest_line;
    bool out_of_memory;

    uint64_t rows;
    double first_s, last_s;
    int time_decimals;
    struct import_grid grid;
    double first_period_s; /* that the grid began with; 0: still collecting the first rows */
    uint64_t jumps;        /* rows right after missing ones */
    uint64_t missing;
    double worst_jitter; /* periods */
    double period_s;     /* the mean one; known after import_survey_finish */

    size_t first_count;
    double first_times[IMPORT_FIRST_ROWS];
    unsigned first_lines[IMPORT_FIRST_ROWS];
};

/* Begins; `hookup` and `problems` are kept. */
void import_survey_begin(struct import_survey *survey, const struct hookup *hookup,
                         struct problems *problems);

/* Takes a row, the header first: 0, or -EINVAL where going on makes no sense, or -ENOMEM. */
int import_survey_row(void *survey, const struct import_row *row);

/* Takes a broken row: 0 or -ENOMEM. */
int import_survey_broken(void *survey, unsigned line, const char *what);

/* The file is over. 0, -EINVAL where anything was wrong, or -ENOMEM. */
int import_survey_finish(struct import_survey *survey);

#endif
