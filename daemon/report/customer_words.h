// SPDX-License-Identifier: Apache-2.0
/*
 * customer_words.h - a verdict as it is said to somebody who owns the vehicle: no lead, no volt.
 */
#ifndef CRANKTRAP_CUSTOMER_WORDS_H
#define CRANKTRAP_CUSTOMER_WORDS_H

#include "report_parts.h"

#include <stddef.h>

/* What the verdict means: one or two plain sentences. */
const char *customer_meaning(const struct report *report);

/* How sure it is, a plain sentence. */
const char *customer_certainty(const struct report *report);

/* What the workshop does now. */
const char *customer_next(const struct report *report);

/* What the mark in the picture is: "the sensor's supply fails". */
const char *customer_mark(enum fault fault);

/*
 * "It concerns the sensor "crank". It began half a second after the starter had engaged." into
 * `text`, which is returned; "" where there is nothing to say.
 */
const char *customer_place(const struct report *report, char *text, size_t size);

/* "17 March 2026, 22:35"; "" where no clock told the date. */
const char *customer_when(const struct report *report, char *text, size_t size);

#endif
