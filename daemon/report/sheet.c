// SPDX-License-Identifier: Apache-2.0
/*
 * sheet.c - text that flows over pages.
 */
#include "sheet.h"

#include "sheet_parts.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define MARGIN_SIDE 40.0
#define MARGIN_TOP  34.0
#define MARGIN_FOOT 40.0
#define FAMILY      "DejaVu Sans Condensed, DejaVu Sans, Liberation Sans, sans-serif"
#define CELLS_MOST  8
#define HANGING     7.0

static const double colors[][3] = {
    [SHEET_INK] = {0.11, 0.13, 0.15},      [SHEET_FAINT] = {0.38, 0.42, 0.46},
    [SHEET_IN_LIMITS] = {0.07, 0.44, 0.2}, [SHEET_OUT] = {0.72, 0.11, 0.09},
    [SHEET_UNKNOWN] = {0.58, 0.36, 0.0},
};

cairo_t *sheet_cairo(struct sheet *sheet) {
    return sheet->cairo;
}

double sheet_width(const struct sheet *sheet) {
    return sheet->width - 2 * MARGIN_SIDE;
}

const double *sheet_color(enum sheet_ink ink) {
    return colors[ink];
}

void sheet_ink(struct sheet *sheet, enum sheet_ink ink, double opacity) {
    const double *color = colors[ink];
    cairo_set_source_rgba(sheet->cairo, color[0], color[1], color[2], opacity);
}

void sheet_use(struct sheet *sheet, cairo_t *cairo) {
    if (sheet->layout)
        g_object_unref(sheet->layout);
    cairo_destroy(sheet->cairo);
    sheet->cairo = cairo;
    PangoContext *context = pango_font_map_create_context(sheet->fonts);
    /* The same widths on every surface, whatever its resolution. */
    cairo_font_options_t *options = cairo_font_options_create();
    cairo_font_options_set_hint_style(options, CAIRO_HINT_STYLE_NONE);
    cairo_font_options_set_hint_metrics(options, CAIRO_HINT_METRICS_OFF);
    pango_cairo_context_set_font_options(context, options);
    cairo_font_options_destroy(options);
    pango_cairo_context_set_resolution(context, 72);
    pango_context_set_round_glyph_positions(context, FALSE);
    pango_cairo_update_context(cairo, context);
    sheet->layout = pango_layout_new(context);
    g_object_unref(context);
    pango_layout_set_wrap(sheet->layout, PANGO_WRAP_WORD_CHAR);
}

void sheet_done(struct sheet *sheet) {
    if (sheet->layout)
        g_object_unref(sheet->layout);
    cairo_destroy(sheet->cairo);
    if (sheet->fonts)
        g_object_unref(sheet->fonts);
    for (size_t i = 0; i < sheet->line_count; i++)
        free(sheet->lines[i].text);
    free(sheet->lines);
}

/* ---- lines ---- */

/* Options of commands (--wiggle) are not broken over lines. */
static void keep_options(PangoLayout *layout, const char *text) {
    PangoAttrList *list = pango_attr_list_new();
    for (const char *at = strstr(text, "--"); at; at = strstr(at + 2, "--")) {
        PangoAttribute *whole = pango_attr_allow_breaks_new(FALSE);
        whole->start_index = (guint)(at - text);
        whole->end_index = whole->start_index + (guint)strcspn(at, " ");
        pango_attr_list_insert(list, whole);
    }
    pango_layout_set_attributes(layout, list);
    pango_attr_list_unref(list);
}

static void lay_out(struct sheet *sheet, const struct sheet_cell *cell, const char *text) {
    PangoFontDescription *font = pango_font_description_from_string(FAMILY);
    pango_font_description_set_size(font, (int)lround(cell->style->size * PANGO_SCALE));
    pango_font_description_set_weight(font,
                                      cell->style->bold ? PANGO_WEIGHT_BOLD : PANGO_WEIGHT_NORMAL);
    pango_layout_set_font_description(sheet->layout, font);
    pango_font_description_free(font);
    pango_layout_set_width(sheet->layout, (int)lround(cell->width * PANGO_SCALE));
    pango_layout_set_alignment(sheet->layout, cell->right ? PANGO_ALIGN_RIGHT : PANGO_ALIGN_LEFT);
    pango_layout_set_indent(sheet->layout,
                            text && strchr(text, '\n') ? -(int)(HANGING * PANGO_SCALE) : 0);
    char *valid = g_utf8_make_valid(text ? text : "", -1);
    pango_layout_set_text(sheet->layout, valid, -1);
    keep_options(sheet->layout, valid);
    g_free(valid);
}

static void keep_line(struct sheet *sheet, const struct sheet_line *line, const char *text,
                      size_t length) {
    if (!sheet->keep_lines || sheet->error)
        return;
    if (sheet->line_count == sheet->line_room) {
        size_t room = sheet->line_room ? sheet->line_room * 2 : 64;
        struct sheet_line *lines = realloc(sheet->lines, room * sizeof *lines);
        if (!lines) {
            sheet->error = -ENOMEM;
            return;
        }
        sheet->lines = lines;
        sheet->line_room = room;
    }
    struct sheet_line *kept = &sheet->lines[sheet->line_count];
    *kept = *line;
    kept->text = strndup(text, length);
    if (kept->text)
        sheet->line_count++;
    else
        sheet->error = -ENOMEM;
}

/* Draws the layout's lines from `*first` on that end above `bottom`; returns the height used. */
static double draw_lines(struct sheet *sheet, const struct sheet_cell *cell, double left,
                         double top, double bottom, int *first) {
    PangoLayoutIter *iterator = pango_layout_get_iter(sheet->layout);
    const char *text = pango_layout_get_text(sheet->layout);
    double begin = (double)NAN, used = 0;
    int number = 0;
    sheet_ink(sheet, cell->style->ink, 1);
    do {
        PangoRectangle box;
        pango_layout_iter_get_line_extents(iterator, NULL, &box);
        if (number < *first)
            continue;
        double y = (double)box.y / PANGO_SCALE;
        if (isnan(begin))
            begin = y;
        double end = y - begin + (double)box.height / PANGO_SCALE;
        if (top + end > bottom)
            break;
        used = end;
        *first = number + 1;
        PangoLayoutLine *line = pango_layout_iter_get_line_readonly(iterator);
        struct sheet_line kept = {.page = sheet->page,
                                  .x = left + (double)box.x / PANGO_SCALE,
                                  .width = (double)box.width / PANGO_SCALE,
                                  .style = *cell->style};
        kept.baseline =
            top - begin + (double)pango_layout_iter_get_baseline(iterator) / PANGO_SCALE;
        cairo_move_to(sheet->cairo, kept.x, kept.baseline);
        if (!sheet->keep_lines)
            pango_cairo_show_layout_line(sheet->cairo, line);
        keep_line(sheet, &kept, text + line->start_index, (size_t)line->length);
    } while (number++, pango_layout_iter_next_line(iterator));
    pango_layout_iter_free(iterator);
    return used;
}

static double layout_height(struct sheet *sheet) {
    int height;
    pango_layout_get_size(sheet->layout, NULL, &height);
    return (double)height / PANGO_SCALE;
}

double sheet_measure(struct sheet *sheet, const struct sheet_cell *cell) {
    if (sheet->error || !cell->text || !*cell->text)
        return 0;
    lay_out(sheet, cell, cell->text);
    return layout_height(sheet);
}

double sheet_put(struct sheet *sheet, const struct sheet_cell *cell, double y) {
    if (sheet->error || !cell->text || !*cell->text)
        return 0;
    int first = 0;
    lay_out(sheet, cell, cell->text);
    return draw_lines(sheet, cell, cell->x, y, (double)INFINITY, &first);
}

/* ---- pages ---- */

static double page_bottom(const struct sheet *sheet) {
    return sheet->height - MARGIN_FOOT;
}

static void draw_foot(struct sheet *sheet) {
    static const struct sheet_style style = {6.5, false, SHEET_FAINT};
    char number[48];
    snprintf(number, sizeof number, "page %u of %u", sheet->page + 1, sheet->pages);
    double y = page_bottom(sheet) + 12;
    const struct sheet_cell foot = {MARGIN_SIDE, sheet_width(sheet) - 70, &style,
                                    sheet->story->foot, false};
    const struct sheet_cell right = {MARGIN_SIDE, sheet_width(sheet), &style, number, true};
    (void)sheet_put(sheet, &foot, y);
    (void)sheet_put(sheet, &right, y);
}

static void turn_page(struct sheet *sheet) {
    draw_foot(sheet);
    sheet->turn(sheet);
    sheet->page++;
    sheet->y = MARGIN_TOP;
}

void sheet_keep(struct sheet *sheet, double height) {
    if (!sheet->error && sheet->y + height > page_bottom(sheet) && sheet->y > MARGIN_TOP)
        turn_page(sheet);
}

void sheet_space(struct sheet *sheet, double height) {
    if (sheet->y > MARGIN_TOP)
        sheet->y = fmin(sheet->y + height, page_bottom(sheet));
}

double sheet_take(struct sheet *sheet, double height, double *left) {
    sheet_keep(sheet, height);
    double top = sheet->y;
    sheet->y += height;
    *left = MARGIN_SIDE;
    return top;
}

void sheet_rule(struct sheet *sheet) {
    if (sheet->error)
        return;
    sheet_ink(sheet, SHEET_FAINT, 0.5);
    cairo_set_line_width(sheet->cairo, 0.5);
    cairo_move_to(sheet->cairo, MARGIN_SIDE, sheet->y);
    cairo_rel_line_to(sheet->cairo, sheet_width(sheet), 0);
    cairo_stroke(sheet->cairo);
    sheet->y += 1;
}

void sheet_row(struct sheet *sheet, const struct sheet_cell *cells, size_t count) {
    double height = 0;
    int next[CELLS_MOST] = {0};
    count = count < CELLS_MOST ? count : CELLS_MOST;
    for (size_t i = 0; i < count; i++)
        height = fmax(height, sheet_measure(sheet, &cells[i]));
    if (height <= page_bottom(sheet) - MARGIN_TOP)
        sheet_keep(sheet, height);
    for (bool rest = true; rest && !sheet->error;) {
        double used = 0;
        rest = false;
        for (size_t i = 0; i < count; i++) {
            if (!cells[i].text || !*cells[i].text)
                continue;
            lay_out(sheet, &cells[i], cells[i].text);
            used = fmax(used, draw_lines(sheet, &cells[i], MARGIN_SIDE + cells[i].x, sheet->y,
                                         page_bottom(sheet) + 0.01, &next[i]));
            rest = rest || next[i] < pango_layout_get_line_count(sheet->layout);
        }
        sheet->y += used;
        if (rest)
            turn_page(sheet);
    }
}

void sheet_paragraph(struct sheet *sheet, const struct sheet_style *style, const char *text) {
    const struct sheet_cell cell = {0, sheet_width(sheet), style, text, false};
    sheet_row(sheet, &cell, 1);
}

void sheet_tell(struct sheet *sheet) {
    sheet->page = 0;
    sheet->y = MARGIN_TOP;
    sheet->story->draw(sheet, sheet->story->context);
    draw_foot(sheet);
    if (!sheet->error && cairo_status(sheet->cairo) != CAIRO_STATUS_SUCCESS)
        sheet->error = cairo_status(sheet->cairo) == CAIRO_STATUS_NO_MEMORY ? -ENOMEM : -EIO;
}
