// SPDX-License-Identifier: Apache-2.0
/*
 * text_helper.h - hookup texts for the tests, and small changes to them.
 */
#ifndef CRANKTRAP_TESTS_TEXT_HELPER_H
#define CRANKTRAP_TESTS_TEXT_HELPER_H

/* A sound hookup: a 3-wire crank sensor and the battery on one serial board. */
extern const char *const text_sound;

/* `text` with the first `old` replaced by `new`, which must be there. Free it. */
char *text_replaced(const char *text, const char *old, const char *new);

/* The line (1..) on which `part`, which must be there, begins. */
unsigned text_line_of(const char *text, const char *part);

#endif
