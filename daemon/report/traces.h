// SPDX-License-Identifier: Apache-2.0
/*
 * traces.h - the moment on paper: every channel over one axis of seconds from the engagement.
 */
#ifndef CRANKTRAP_TRACES_H
#define CRANKTRAP_TRACES_H

#include "report_parts.h"
#include "sheet.h"

struct traces_view {
    size_t columns;     /* of the report's strips: strip_fill with STRIP_COLUMNS or fewer */
    double height;      /* of all channels together, points, where that gives each a fair one */
    const bool *wanted; /* of each channel; NULL: all */
};

/*
 * Draws channels from the report's strips: phases as bands, limits of the cranking engine, findings
 * and losses at their time.
 */
void traces_draw(struct sheet *sheet, const struct report *report, const struct traces_view *view);

#endif
