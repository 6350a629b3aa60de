// SPDX-License-Identifier: Apache-2.0
/*
 * report_sheet_parts.h - what the two halves of the sheet share.
 */
#ifndef CRANKTRAP_REPORT_SHEET_PARTS_H
#define CRANKTRAP_REPORT_SHEET_PARTS_H

#include "file_hash.h"
#include "report_parts.h"
#include "report_sheet.h"
#include "sheet.h"

/* The moment from near: a report that shows another stretch of the same record. */
struct report_sheet_closer {
    struct report report; /* all but its strips is borrowed */
    size_t columns;       /* 0: there is no such picture */
    bool *wanted;         /* of each channel */
};

struct report_sheet {
    const struct report *report;
    const struct report_sheet_settings *settings;
    size_t columns; /* of the strips */
    struct report_sheet_closer closer;
    char hash[FILE_HASH_BYTES];
};

/* In limits, out of limits or not known: the colour of the whole attempt. */
enum sheet_ink report_sheet_state(const struct report *report);

/* As many columns as there are scans in what the report shows, at most; 0: nothing is shown. */
size_t report_sheet_columns(const struct report *report);

/* Fills `closer`, whose columns are 0 where there is nothing to be seen closer. 0 or -ENOMEM. */
int report_sheet_closer(const struct report *report, struct report_sheet_closer *closer);
void report_sheet_closer_done(struct report_sheet_closer *closer);

/* Draws what is for the technician. */
void report_sheet_technician(struct sheet *sheet, const struct report_sheet *of);

#endif
