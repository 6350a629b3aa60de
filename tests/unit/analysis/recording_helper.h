// SPDX-License-Identifier: Apache-2.0
/*
 * recording_helper.h - recordings of real engines, read by column position, as leads of a sheet.
 *
 * The recordings stay where CRANKTRAP_DATA points; what they show is told by the SOURCES.md that
 * comes with them.
 */
#ifndef CRANKTRAP_TESTS_RECORDING_HELPER_H
#define CRANKTRAP_TESTS_RECORDING_HELPER_H

#include "sheet_helper.h"

struct recording {
    size_t rows;
    double *times;  /* seconds from the first row on */
    double *values; /* of the wanted column: a level (0, 1) or volts */
};

/* Skips the test, saying why, where no recordings are given; ends it where one is not readable. */
void recording_read(const char *file, size_t column, struct recording *recording);
void recording_free(struct recording *recording);

/* Draws a logic level as an open collector's output: `low` where it is 0, `high` where it is 1. */
void recording_draw_edges(struct sheet *sheet, size_t channel, const struct recording *recording,
                          double at_s, double low, double high);

/* Draws volts, by straight lines between the rows. */
void recording_draw_volts(struct sheet *sheet, size_t channel, const struct recording *recording,
                          double at_s);

#endif
