// SPDX-License-Identifier: Apache-2.0
/*
 * sheet_write.c - the pages of a sheet as PDF, SVG, PNG or HTML.
 */
#include "sheet.h"

#include "sheet_parts.h"

#include <cairo-pdf.h>
#include <cairo-svg.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define PNG_DOTS_PER_INCH 150.0
#define POINTS_PER_INCH   72.0
/* An image of more is more than viewers open; later pages are then in the other formats only. */
#define PNG_PAGES_MOST 16

/* fontconfig keeps a pattern of its configuration for ever: of no interest to a leak checker. */
const char *__lsan_default_suppressions(void);
const char *__lsan_default_suppressions(void) {
    return "leak:libfontconfig\n";
}
const char *__lsan_default_options(void);
const char *__lsan_default_options(void) {
    return "print_suppressions=0";
}

static cairo_status_t write_bytes(void *stream, const unsigned char *bytes, unsigned length) {
    return fwrite(bytes, 1, length, stream) == length ? CAIRO_STATUS_SUCCESS
                                                      : CAIRO_STATUS_WRITE_ERROR;
}

static int status_error(cairo_status_t status) {
    return status == CAIRO_STATUS_SUCCESS ? 0 : status == CAIRO_STATUS_NO_MEMORY ? -ENOMEM : -EIO;
}

/* Finishes a surface of which it takes the reference. */
static int finish_surface(cairo_surface_t *surface) {
    cairo_surface_finish(surface);
    int result = status_error(cairo_surface_status(surface));
    cairo_surface_destroy(surface);
    return result;
}

static void turn_nothing(struct sheet *sheet) {
    (void)sheet;
}

static void turn_page(struct sheet *sheet) {
    cairo_show_page(sheet->cairo);
}

static void turn_down(struct sheet *sheet) {
    cairo_translate(sheet->cairo, 0, sheet->height);
}

static int count_pages(struct sheet *sheet) {
    cairo_surface_t *surface = cairo_recording_surface_create(CAIRO_CONTENT_COLOR_ALPHA, NULL);
    sheet_use(sheet, cairo_create(surface));
    cairo_surface_destroy(surface);
    sheet->turn = turn_nothing;
    sheet_tell(sheet);
    sheet->pages = sheet->page + 1;
    return sheet->error;
}

/* ---- one surface for all pages ---- */

static int draw_all(struct sheet *sheet, cairo_surface_t *surface, double scale,
                    void (*turn)(struct sheet *)) {
    sheet_use(sheet, cairo_create(surface));
    cairo_scale(sheet->cairo, scale, scale);
    sheet->turn = turn;
    sheet_tell(sheet);
    return sheet->error;
}

static int write_pdf(struct sheet *sheet, FILE *stream) {
    cairo_surface_t *surface =
        cairo_pdf_surface_create_for_stream(write_bytes, stream, sheet->width, sheet->height);
    cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_TITLE, sheet->story->title);
    cairo_pdf_surface_set_metadata(surface, CAIRO_PDF_METADATA_CREATOR,
                                   "cranktrap " CRANKTRAP_VERSION);
    int result = draw_all(sheet, surface, 1, turn_page);
    int finished = finish_surface(surface);
    return result < 0 ? result : finished;
}

static int write_png(struct sheet *sheet, FILE *stream) {
    double scale = PNG_DOTS_PER_INCH / POINTS_PER_INCH;
    unsigned pages = sheet->pages < PNG_PAGES_MOST ? sheet->pages : PNG_PAGES_MOST;
    cairo_surface_t *surface = cairo_image_surface_create(
        CAIRO_FORMAT_RGB24, (int)(sheet->width * scale), (int)(sheet->height * scale * pages));
    sheet_use(sheet, cairo_create(surface));
    cairo_set_source_rgb(sheet->cairo, 1, 1, 1);
    cairo_paint(sheet->cairo);
    int result = draw_all(sheet, surface, scale, turn_down);
    if (result == 0)
        result = status_error(cairo_surface_write_to_png_stream(surface, write_bytes, stream));
    cairo_surface_destroy(surface);
    return result;
}

/* ---- text ---- */

static void put_escaped(FILE *to, const char *text) {
    for (; *text; text++) {
        if (*text == '&')
            fputs("&amp;", to);
        else if (*text == '<')
            fputs("&lt;", to);
        else if (*text == '>')
            fputs("&gt;", to);
        else if (*text == '"')
            fputs("&quot;", to);
        else
            fputc((unsigned char)*text < ' ' ? ' ' : *text, to);
    }
}

/*
 * Text as text: to be searched, read aloud and copied, and far smaller than outlines of letters.
 * Each line is given the width it was laid out with, so that another font breaks nothing.
 */
static void put_lines(FILE *to, const struct sheet *sheet, unsigned from, unsigned count) {
    fputs("<g font-family=\"DejaVu Sans Condensed, DejaVu Sans, Liberation Sans, sans-serif\">\n",
          to);
    for (size_t i = 0; i < sheet->line_count; i++) {
        const struct sheet_line *line = &sheet->lines[i];
        const double *color = sheet_color(line->style.ink);
        if (line->page < from || line->page >= from + count || !(line->width > 0))
            continue;
        fprintf(to,
                "<text xml:space=\"preserve\" x=\"%.1f\" y=\"%.1f\" font-size=\"%.4g\"%s "
                "fill=\"#%02x%02x%02x\" textLength=\"%.1f\" lengthAdjust=\"spacingAndGlyphs\">",
                line->x, line->baseline + (line->page - from) * sheet->height, line->style.size,
                line->style.bold ? " font-weight=\"bold\"" : "", (unsigned)(255 * color[0]),
                (unsigned)(255 * color[1]), (unsigned)(255 * color[2]), line->width);
        put_escaped(to, line->text);
        fputs("</text>\n", to);
    }
    fputs("</g>\n", to);
}

/* ---- SVG ---- */

/* Bytes of a surface in memory. */
struct memory {
    FILE *stream;
    char *bytes;
    size_t length;
};

static int memory_open(struct memory *memory) {
    *memory = (struct memory){0};
    memory->stream = open_memstream(&memory->bytes, &memory->length);
    return memory->stream ? 0 : -ENOMEM;
}

static int memory_close(struct memory *memory) {
    bool failed = ferror(memory->stream);
    failed = fclose(memory->stream) != 0 || failed;
    memory->stream = NULL;
    return failed ? -ENOMEM : 0;
}

static cairo_surface_t *svg_surface(const struct sheet *sheet, FILE *stream, unsigned pages) {
    cairo_surface_t *surface = cairo_svg_surface_create_for_stream(
        write_bytes, stream, sheet->width, sheet->height * pages);
    cairo_svg_surface_set_document_unit(surface, CAIRO_SVG_UNIT_PT);
    return surface;
}

static int write_svg(struct sheet *sheet, FILE *stream) {
    struct memory memory;
    int result = memory_open(&memory);
    if (result < 0)
        return result;
    cairo_surface_t *surface = svg_surface(sheet, memory.stream, sheet->pages);
    sheet_use(sheet, cairo_create(surface));
    cairo_set_source_rgb(sheet->cairo, 1, 1, 1);
    cairo_paint(sheet->cairo); /* paper, for viewers that are dark behind it */
    result = draw_all(sheet, surface, 1, turn_down);
    int finished = finish_surface(surface);
    if (result == 0)
        result = finished;
    int closed = memory_close(&memory);
    char *end = closed == 0 ? strstr(memory.bytes, "</svg>") : NULL;
    for (char *later = end; later; later = strstr(later + 1, "</svg>"))
        end = later;
    if (result == 0 && (closed < 0 || !end))
        result = closed < 0 ? closed : -EIO;
    if (result == 0) {
        fwrite(memory.bytes, 1, (size_t)(end - memory.bytes), stream);
        put_lines(stream, sheet, 0, sheet->pages);
        fputs("</svg>\n", stream);
    }
    free(memory.bytes);
    return result;
}

/* ---- HTML ---- */

struct html {
    FILE *stream;
    cairo_surface_t *surface; /* of the page that is being drawn */
    struct memory memory;
};

static void html_begin_page(struct sheet *sheet) {
    struct html *html = sheet->target;
    int result = memory_open(&html->memory);
    if (result < 0) {
        sheet->error = result;
        return;
    }
    html->surface = svg_surface(sheet, html->memory.stream, 1);
    sheet_use(sheet, cairo_create(html->surface));
}

/* A picture of its own, so that its names cannot meet those of another page; its text over it. */
static void html_end_page(struct sheet *sheet) {
    struct html *html = sheet->target;
    if (!html->surface)
        return;
    int result = finish_surface(html->surface);
    html->surface = NULL;
    int closed = memory_close(&html->memory);
    if (sheet->error == 0)
        sheet->error = result < 0 ? result : closed;
    if (sheet->error == 0) {
        char *base64 = g_base64_encode((const guchar *)html->memory.bytes, html->memory.length);
        fprintf(html->stream,
                "<section class=\"page\"><img alt=\"\" src=\"data:image/svg+xml;base64,%s\">\n"
                "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 %.2f %.2f\">\n",
                base64, sheet->width, sheet->height);
        put_lines(html->stream, sheet, sheet->page, 1);
        fputs("</svg></section>\n", html->stream);
        g_free(base64);
    }
    free(html->memory.bytes);
    html->memory.bytes = NULL;
}

static void turn_html(struct sheet *sheet) {
    html_end_page(sheet);
    if (sheet->error == 0)
        html_begin_page(sheet);
}

static int write_html(struct sheet *sheet, FILE *stream) {
    struct html html = {.stream = stream};
    fputs("<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n"
          "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>",
          stream);
    put_escaped(stream, sheet->story->title);
    fprintf(stream,
            "</title>\n<style>\n"
            "@page { size: %.2fpt %.2fpt; margin: 0 }\n"
            "body { margin: 0; background: #d5d9dc }\n"
            ".page { position: relative; width: min(100%%, %.2fpt); aspect-ratio: %.2f / %.2f;\n"
            "  margin: 0 auto 12pt; background: #fff }\n"
            ".page img, .page svg { position: absolute; inset: 0; width: 100%%; height: 100%% }\n"
            "@media print { body { background: none }\n"
            "  .page { width: 100%%; margin: 0; break-after: page }\n"
            "  .page:last-child { break-after: auto } }\n"
            "</style></head><body>\n",
            sheet->width, sheet->height, sheet->width, sheet->width, sheet->height);
    sheet->target = &html; // cppcheck-suppress autoVariables ; for this call only
    sheet->turn = turn_html;
    html_begin_page(sheet);
    if (sheet->error == 0)
        sheet_tell(sheet);
    html_end_page(sheet);
    sheet->target = NULL;
    fputs("</body></html>\n", stream);
    return sheet->error;
}

/* ---- all ---- */

int sheet_write(enum sheet_format format, enum sheet_paper paper, const struct sheet_story *story,
                FILE *stream) {
    static int (*const writers[])(struct sheet *, FILE *) = {
        [SHEET_PDF] = write_pdf,
        [SHEET_SVG] = write_svg,
        [SHEET_PNG] = write_png,
        [SHEET_HTML] = write_html,
    };
    struct sheet sheet = {.story = story,
                          .fonts = pango_cairo_font_map_new(),
                          .width = paper == SHEET_A4 ? 595.28 : 612,
                          .height = paper == SHEET_A4 ? 841.89 : 792};
    int result = count_pages(&sheet);
    sheet.keep_lines = format == SHEET_SVG || format == SHEET_HTML;
    if (result == 0)
        result = writers[format](&sheet, stream);
    sheet_done(&sheet);
    if (result == 0 && ferror(stream))
        result = -EIO;
    return result;
}
