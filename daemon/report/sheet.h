// SPDX-License-Identifier: Apache-2.0
/*
 * sheet.h - pages of text and drawings on paper: one routine draws, and PDF, SVG, PNG or HTML comes
 * out of it.
 *
 * What is drawn flows from top to bottom; what does not fit goes to the next page, nothing is cut.
 * Lengths are points (1/72 inch), y downwards. Text is UTF-8; what is not is shown as such. Errors
 * stick: after the first, drawing does nothing, and sheet_write() returns it. One thread at a time.
 */
#ifndef CRANKTRAP_SHEET_H
#define CRANKTRAP_SHEET_H

#include "sheet_form.h"

#include <cairo.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

/* Colour means state, nothing else. */
enum sheet_ink { SHEET_INK, SHEET_FAINT, SHEET_IN_LIMITS, SHEET_OUT, SHEET_UNKNOWN };

struct sheet_style {
    double size; /* of the letters */
    bool bold;
    enum sheet_ink ink;
};

struct sheet_cell {
    double x, width; /* x from the left margin */
    const struct sheet_style *style;
    const char *text; /* wrapped at the width; several lines: a list, each hanging; NULL: nothing */
    bool right;       /* flush right */
};

struct sheet;

/* What is on the sheet: called twice, with the same outcome, once to count the pages. */
struct sheet_story {
    void (*draw)(struct sheet *sheet, const void *context);
    const void *context;
    const char *title; /* of the document */
    const char *foot;  /* at the foot of every page, beside its number */
};

/*
 * Draws the story and writes it to `stream`. Of several pages SVG and PNG show one below the other.
 * SVG and HTML have the text as text, to be searched, read aloud and copied. 0, -ENOMEM, -EIO,
 * or the stream's error.
 */
int sheet_write(enum sheet_format format, enum sheet_paper paper, const struct sheet_story *story,
                FILE *stream);

/* Between the margins. */
double sheet_width(const struct sheet *sheet);

/*
 * Cells side by side, then on below the tallest. A row stays on one page, unless it is taller than
 * one.
 */
void sheet_row(struct sheet *sheet, const struct sheet_cell *cells, size_t count);

/* A paragraph over the whole width. */
void sheet_paragraph(struct sheet *sheet, const struct sheet_style *style, const char *text);

/* Leaves room; none at the top of a page. */
void sheet_space(struct sheet *sheet, double height);

/* Turns the page unless so much is left on it. */
void sheet_keep(struct sheet *sheet, double height);

/* A thin line over the whole width. */
void sheet_rule(struct sheet *sheet);

/*
 * Reserves a stretch of the page, keeping it together, and returns its top; x from the left edge
 * of the page. `*left` is the left margin's x.
 */
double sheet_take(struct sheet *sheet, double height, double *left);

/* To draw with; sheet_ink() sets a state's colour with an opacity of 0..1. */
cairo_t *sheet_cairo(struct sheet *sheet);
void sheet_ink(struct sheet *sheet, enum sheet_ink ink, double opacity);

/*
 * Text in a place of a drawing, first line's top at y, wrapped at `cell->width`; `cell->x` is from
 * the left edge of the page. Returns its height.
 */
double sheet_put(struct sheet *sheet, const struct sheet_cell *cell, double y);

/* Its height, without drawing it. */
double sheet_measure(struct sheet *sheet, const struct sheet_cell *cell);

#endif
