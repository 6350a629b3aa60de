// SPDX-License-Identifier: Apache-2.0
/*
 * json_value.c - a key's value, or that there is none.
 */
#include "json_value.h"

#include <math.h>
#include <string.h>

const char *text_of(const json_t *object, const char *key) {
    return json_string_value(json_object_get(object, key));
}

double number_of(const json_t *object, const char *key) {
    const json_t *value = json_object_get(object, key);
    return json_is_number(value) ? json_number_value(value) : (double)NAN;
}

bool same_text(const char *a, const char *b) {
    return a && b ? strcmp(a, b) == 0 : a == b;
}
