// SPDX-License-Identifier: Apache-2.0
/*
 * calibration_json.c - writes and reads one calibration.
 */
#include "calibration_json.h"

#include "board.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

static json_t *point_json(const struct calibration_point *point) {
    return json_pack("{s:f, s:f, s:f, s:f, s:I}", "counts", point->counts, "nominal",
                     point->nominal, "known", point->known, "noise_counts", point->noise, "wall_s",
                     (json_int_t)point->wall_s);
}

json_t *calibration_to_json(const struct calibration *calibration) {
    json_t *points = json_array();
    for (size_t i = 0; i < calibration->points; i++)
        json_array_append_new(points, point_json(&calibration->point[i]));
    return json_pack("{s:s, s:I, s:s, s:s, s:f, s:f, s:o, s:o}", "board", calibration->board,
                     "input", (json_int_t)calibration->input, "unit", calibration->unit, "kind",
                     calibration_kind_name(calibration->kind), "gain", calibration->gain, "offset",
                     calibration->offset, "residual",
                     isfinite(calibration->residual) ? json_real(calibration->residual)
                                                     : json_null(),
                     "points", points);
}

static bool get_number(const json_t *object, const char *key, double *number) {
    const json_t *value = json_object_get(object, key);
    if (!json_is_number(value) || !isfinite(json_number_value(value)))
        return false;
    *number = json_number_value(value);
    return true;
}

static bool get_text(const json_t *object, const char *key, char *text, size_t size) {
    const char *value = json_string_value(json_object_get(object, key));
    if (!value || !*value)
        return false;
    int length = snprintf(text, size, "%s", value);
    return length > 0 && (size_t)length < size;
}

static bool get_point(const json_t *json, struct calibration_point *point) {
    const json_t *wall = json_object_get(json, "wall_s");
    point->wall_s = json_integer_value(wall);
    return json_is_integer(wall) && get_number(json, "counts", &point->counts) &&
           get_number(json, "nominal", &point->nominal) &&
           get_number(json, "known", &point->known) &&
           get_number(json, "noise_counts", &point->noise);
}

static bool get_points(const json_t *list, struct calibration *calibration) {
    calibration->points = json_array_size(list);
    if (calibration->points > CALIBRATION_POINTS)
        return false;
    for (size_t i = 0; i < calibration->points; i++)
        if (!get_point(json_array_get(list, i), &calibration->point[i]))
            return false;
    return true;
}

int calibration_from_json(const json_t *json, struct calibration *calibration) {
    struct calibration read = {.residual = (double)NAN};
    const json_t *input = json_object_get(json, "input");
    const json_t *residual = json_object_get(json, "residual");
    const char *kind = json_string_value(json_object_get(json, "kind"));
    bool sound = json_is_integer(input) && json_integer_value(input) >= 0 &&
                 json_integer_value(input) < BOARD_INPUTS_MAX && kind &&
                 calibration_kind_from_name(kind, &read.kind) == 0 &&
                 get_text(json, "board", read.board, sizeof read.board) &&
                 get_text(json, "unit", read.unit, sizeof read.unit) &&
                 get_number(json, "gain", &read.gain) && get_number(json, "offset", &read.offset) &&
                 (json_is_null(residual) || get_number(json, "residual", &read.residual)) &&
                 get_points(json_object_get(json, "points"), &read) && calibration_is_sane(&read);
    if (!sound)
        return -EINVAL;
    read.input = (size_t)json_integer_value(input);
    *calibration = read;
    return 0;
}
