// SPDX-License-Identifier: Apache-2.0
/*
 * page.h - lines of text for a terminal: wrapping, headings, and the colours of a state.
 */
#ifndef CRANKTRAP_PAGE_H
#define CRANKTRAP_PAGE_H

#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>

/* Colour means state, nothing else. */
enum page_state { PAGE_PLAIN, PAGE_IN_LIMITS, PAGE_OUT, PAGE_UNKNOWN, PAGE_STRONG };

struct page {
    FILE *stream;
    unsigned width;
    bool color;
    bool ascii;
};

/* A heading on its own line, with an empty one before it. */
void page_heading(const struct page *page, const char *text);

/*
 * Wraps `text` at the page's width: the first line begins with `first`, the others with as many
 * spaces. UTF-8; a character is taken as one column.
 */
void page_paragraph(const struct page *page, const char *first, const char *text);

/* The same of a format and what belongs to it. */
__attribute__((format(printf, 3, 4))) void page_say(const struct page *page, const char *first,
                                                    const char *format, ...);
__attribute__((format(printf, 3, 0))) void page_vsay(const struct page *page, const char *first,
                                                     const char *format, va_list arguments);

/* Prints text in a state's colour (none: as it is). */
void page_state(const struct page *page, enum page_state state, const char *text);

#endif
