// SPDX-License-Identifier: Apache-2.0
/*
 * sheet_parts.h - what sheet.c and sheet_write.c share.
 */
#ifndef CRANKTRAP_SHEET_PARTS_H
#define CRANKTRAP_SHEET_PARTS_H

#include "sheet.h"

#include <pango/pangocairo.h>

/* A line of text where it was drawn: the text layer of SVG and HTML. */
struct sheet_line {
    unsigned page; /* from 0 */
    double x, baseline, width, size;
    char *text;
};

struct sheet {
    double width, height; /* of the paper */
    cairo_t *cairo;
    PangoFontMap *fonts; /* its own: a shared one would never be freed */
    PangoLayout *layout; /* for `cairo` */
    double y;            /* where the next thing goes */
    unsigned page;       /* from 0 */
    unsigned pages;      /* 0: not counted yet */
    const struct sheet_story *story;
    /* Called between two pages: `page` is still the old one. May change `cairo`. */
    void (*turn)(struct sheet *sheet);
    void *target; /* of turn() */
    int error;
    bool keep_lines;
    size_t line_count, line_room;
    struct sheet_line *lines;
};

/* Draws the story from its first page on; `cairo` must be set (sheet_use). */
void sheet_tell(struct sheet *sheet);

/* Draws on `cairo` from now on, of which it takes the reference. */
void sheet_use(struct sheet *sheet, cairo_t *cairo);

/* Frees what it holds, not the struct. */
void sheet_done(struct sheet *sheet);

#endif
