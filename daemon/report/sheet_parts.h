// SPDX-License-Identifier: Apache-2.0
/*
 * sheet_parts.h - what sheet.c and sheet_write.c share.
 */
#ifndef CRANKTRAP_SHEET_PARTS_H
#define CRANKTRAP_SHEET_PARTS_H

#include "sheet.h"

#include <pango/pangocairo.h>

/* A line of text in its place: SVG and HTML have text as text. */
struct sheet_line {
    unsigned page; /* from 0 */
    double x, baseline, width;
    struct sheet_style style;
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
    bool keep_lines; /* text is kept in `lines` and not drawn */
    size_t line_count, line_room;
    struct sheet_line *lines;
};

/* Red, green and blue of an ink, 0..1. */
const double *sheet_color(enum sheet_ink ink);

/* Draws the story from its first page on; `cairo` must be set (sheet_use). */
void sheet_tell(struct sheet *sheet);

/* Draws on `cairo` from now on, of which it takes the reference. */
void sheet_use(struct sheet *sheet, cairo_t *cairo);

/* Frees what it holds, not the struct. */
void sheet_done(struct sheet *sheet);

#endif
