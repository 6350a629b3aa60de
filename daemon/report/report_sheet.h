// SPDX-License-Identifier: Apache-2.0
/*
 * report_sheet.h - the report on paper: for the customer above, for the technician below.
 */
#ifndef CRANKTRAP_REPORT_SHEET_H
#define CRANKTRAP_REPORT_SHEET_H

#include "report.h"
#include "sheet_form.h"

struct report_sheet_settings {
    enum sheet_format format;
    enum sheet_paper paper;
    const char *title;        /* "Attempt 7 of 11" or NULL */
    const char *const *night; /* sentences: this attempt beside the others of its night */
    size_t night_count;
};

/* Writes the sheet to `stream`. 0, -ENOMEM, -EIO, or the error of reading the file. */
int report_sheet(const struct report *report, const struct report_sheet_settings *settings,
                 FILE *stream);

#endif
