// SPDX-License-Identifier: Apache-2.0
/*
 * compare_wheels.h - what `compare` says of the wheels, for a person and for a program.
 */
#ifndef CRANKTRAP_COMPARE_WHEELS_H
#define CRANKTRAP_COMPARE_WHEELS_H

#include "comparison_wheels.h"
#include "page.h"

/* Nothing, where neither attempt has a wheel. */
void compare_wheels_print(const struct page *page, const struct comparison_wheels *wheels);

/* The arrays `wheels` and `cams`, as docs/json.md names them, put into `json`. */
void compare_wheels_json(const struct comparison_wheels *wheels, json_t *json);

#endif
