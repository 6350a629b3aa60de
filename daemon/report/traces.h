// SPDX-License-Identifier: Apache-2.0
/*
 * traces.h - the moment on paper: every channel over one axis of seconds from the engagement.
 */
#ifndef CRANKTRAP_TRACES_H
#define CRANKTRAP_TRACES_H

#include "report_parts.h"
#include "sheet.h"

/*
 * Draws all channels from the report's strips (strip_fill with STRIP_COLUMNS or fewer `columns`):
 * phases as bands, limits of the cranking engine, findings and losses at their time.
 */
void traces_draw(struct sheet *sheet, const struct report *report, size_t columns);

#endif
