// SPDX-License-Identifier: Apache-2.0
/*
 * calibration_json.h - a calibration as JSON: in the state folder, in a container's head, and in
 * the answers of the API (docs/calibration.md has the keys).
 */
#ifndef CRANKTRAP_CALIBRATION_JSON_H
#define CRANKTRAP_CALIBRATION_JSON_H

#include "calibration.h"

#include <jansson.h>

/* A new reference, or NULL without memory (or where a text is not UTF-8). */
json_t *calibration_to_json(const struct calibration *calibration);

/* Trusts nothing. 0, or -EINVAL with `*calibration` untouched. */
int calibration_from_json(const json_t *json, struct calibration *calibration);

#endif
