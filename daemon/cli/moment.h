// SPDX-License-Identifier: Apache-2.0
/*
 * moment.h - reads a TIME of the command line: a moment of wall time.
 */
#ifndef CRANKTRAP_MOMENT_H
#define CRANKTRAP_MOMENT_H

/*
 * "2026-01-15T04:12:07", "2026-01-15 04:12", "2026-01-15" (local time), "04:12" or "04:12:07" (of
 * the day of `now_s`), "-90s" (before `now_s`): seconds since 1970. NAN where it cannot be read.
 */
double moment_read(const char *text, double now_s);

#endif
