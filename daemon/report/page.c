// SPDX-License-Identifier: Apache-2.0
/*
 * page.c - lines of text for a terminal.
 */
#include "page.h"

#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

static const char *const colors[] = {
    [PAGE_PLAIN] = "",           [PAGE_IN_LIMITS] = "\033[32m", [PAGE_OUT] = "\033[31m",
    [PAGE_UNKNOWN] = "\033[33m", [PAGE_STRONG] = "\033[1m",
};

void page_vsay(const struct page *page, const char *first, const char *format, va_list arguments) {
    char *words = NULL;
    if (vasprintf(&words, format, arguments) < 0)
        return;
    page_paragraph(page, first, words);
    free(words);
}

void page_say(const struct page *page, const char *first, const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    page_vsay(page, first, format, arguments);
    va_end(arguments);
}

void page_state(const struct page *page, enum page_state state, const char *text) {
    bool color = page->color && state != PAGE_PLAIN;
    fprintf(page->stream, "%s%s%s", color ? colors[state] : "", text, color ? "\033[0m" : "");
}

void page_heading(const struct page *page, const char *text) {
    fputc('\n', page->stream);
    page_state(page, PAGE_STRONG, text);
    fputc('\n', page->stream);
}

/* Columns of the first `bytes` bytes: continuation bytes of UTF-8 take none. */
static size_t columns_of(const char *text, size_t bytes) {
    size_t columns = 0;
    for (size_t i = 0; i < bytes; i++)
        columns += ((unsigned char)text[i] & 0xC0) != 0x80;
    return columns;
}

void page_paragraph(const struct page *page, const char *first, const char *text) {
    size_t indent = columns_of(first, strlen(first));
    size_t column = indent;
    fputs(first, page->stream);
    for (bool begun = false; *text; begun = true) {
        size_t length = strcspn(text, " ");
        size_t columns = columns_of(text, length);
        if (begun && column + 1 + columns > page->width) {
            fprintf(page->stream, "\n%*s", (int)indent, "");
            column = indent;
        } else if (begun) {
            fputc(' ', page->stream);
            column++;
        }
        fwrite(text, 1, length, page->stream);
        column += columns;
        text += length;
        text += strspn(text, " ");
    }
    fputc('\n', page->stream);
}
