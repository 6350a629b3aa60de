// SPDX-License-Identifier: Apache-2.0
/*
 * json_value.h - what a JSON object holds under a key, for commands that read answers and reports.
 */
#ifndef CRANKTRAP_JSON_VALUE_H
#define CRANKTRAP_JSON_VALUE_H

#include <jansson.h>
#include <stdbool.h>

/* The text, which belongs to the object; NULL: there is none. */
const char *text_of(const json_t *object, const char *key);

/* The number; NAN: there is none. */
double number_of(const json_t *object, const char *key);

/* Are both the same text, or both none? */
bool same_text(const char *a, const char *b);

#endif
