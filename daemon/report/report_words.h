// SPDX-License-Identifier: Apache-2.0
/*
 * report_words.h - the phrases that the text and the sheet have in common.
 */
#ifndef CRANKTRAP_REPORT_WORDS_H
#define CRANKTRAP_REPORT_WORDS_H

#include "report_parts.h"

#include <stddef.h>

/* What is always said before somebody tests. */
extern const char words_before_testing[];

/* "The engine cranked and did not start." */
const char *words_outcome(const struct analysis_attempt *attempt);

/* "shown: it stood on that wire, in this record" */
const char *words_certainty(const struct analysis_verdict *verdict);

/* How many digits behind the point mean something in that unit. */
int words_digits(const char *unit);

/* What happens at second 0 of the pictures: "the starter engages". */
const char *words_zero(const struct report *report);

/* These write into `text` and return it. */

/* "2026-01-15 04:12:07, 20.9 s into a record of 47.8 s" */
const char *words_when(const struct report *report, char *text, size_t size);

/* "It cranked for 6.4 s at 180 rpm (from cam-signal)." */
const char *words_cranked(const struct analysis_attempt *attempt, char *text, size_t size);

/*
 * "0.403 s after the starter engaged, between 0.402 and 0.404 s", with as many digits as the
 * interval's width means anything for. Only for a verdict with a moment.
 */
const char *words_moment(const struct report *report, char *text, size_t size);

/* "4.75 to 5.25", "at least 9.60", "-"; without its unit */
const char *words_limits(const struct analysis_check *check, char *text, size_t size);

/* "1.000 to 1.200 s: 400 scans of board logger missing: packet lost" */
const char *words_loss(const struct report *report, const struct record_loss *loss, char *text,
                       size_t size);

/* "Calibrated: battery, 2026-01-14 (gain and offset ...)"; "" where the channel is not. */
const char *words_calibrated(const struct report *report, size_t channel, char *text, size_t size);

/* How well moments on leads of different boards compare; "" of one board. */
const char *words_boards_apart(const struct report *report, char *text, size_t size);

#endif
