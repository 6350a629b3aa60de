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

struct report_sheet {
    const struct report *report;
    const struct report_sheet_settings *settings;
    size_t columns; /* of the strips */
    char hash[FILE_HASH_BYTES];
};

/* In limits, out of limits or not known: the colour of the whole attempt. */
enum sheet_ink report_sheet_state(const struct report *report);

/* Draws what is for the technician. */
void report_sheet_technician(struct sheet *sheet, const struct report_sheet *of);

#endif
