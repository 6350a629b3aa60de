// SPDX-License-Identifier: Apache-2.0
/*
 * say.h - what the daemon says: a line to the journal, or to stderr, with what, where and what to
 * do. Nothing else of the daemon logs. Any thread; a line beyond 1023 bytes is cut.
 */
#ifndef CRANKTRAP_SAY_H
#define CRANKTRAP_SAY_H

#include "journal.h"

/* A notice: it goes as it should. */
__attribute__((format(printf, 1, 2))) void say(const char *format, ...);

/* A warning: it goes on, with less than it should. */
__attribute__((format(printf, 1, 2))) void warn(const char *format, ...);

/* An error: something was not done. */
__attribute__((format(printf, 1, 2))) void fail(const char *format, ...);

/* With the priority and the fields of `line`; its text is the format's. */
__attribute__((format(printf, 2, 3))) void tell(struct journal_line line, const char *format, ...);

#endif
