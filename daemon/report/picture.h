// SPDX-License-Identifier: Apache-2.0
/*
 * picture.h - the small drawing of every channel over the attempt, one axis for all.
 */
#ifndef CRANKTRAP_PICTURE_H
#define CRANKTRAP_PICTURE_H

#include "page.h"
#include "report_parts.h"

/* Draws all channels, the phases beneath them and the axis in seconds from the engagement. */
void picture_draw(const struct report *report, const struct page *page);

#endif
