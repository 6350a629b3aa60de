// SPDX-License-Identifier: Apache-2.0
/*
 * head.c - makes a container's head. head_parse.c reads it.
 */
#include "head.h"

#include "calibration_json.h"

#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* Text as JSON. A board or a file in an old encoding must not cost the recording its head. */
static json_t *text_json(const char *text) {
    if (!text)
        return json_null();
    json_t *value = json_string(text);
    if (value)
        return value;
    char *utf8 = malloc(2 * strlen(text) + 1);
    if (!utf8)
        return NULL;
    char *to = utf8;
    for (const unsigned char *from = (const unsigned char *)text; *from; from++) {
        if (*from < 0x80) {
            *to++ = (char)*from;
        } else {
            *to++ = (char)(0xC0 | *from >> 6);
            *to++ = (char)(0x80 | (*from & 0x3F));
        }
    }
    *to = '\0';
    value = json_string(utf8);
    free(utf8);
    return value;
}

/* JSON has no word for "not known" among its numbers: null. */
static json_t *number_json(double value) {
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *numbers_json(const double *values, size_t count) {
    json_t *array = json_array();
    for (size_t i = 0; i < count; i++)
        json_array_append_new(array, number_json(values[i]));
    return array;
}

static json_t *scale_json(const struct scale *scale) {
    if (scale->points < 2 || scale->points > SCALE_POINTS)
        return json_null();
    return json_pack("{s:o,s:o}", "counts", numbers_json(scale->counts, scale->points), "values",
                     numbers_json(scale->values, scale->points));
}

static size_t channel_of_input(const struct hookup *hookup, size_t stream, size_t input) {
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++)
        if (hookup->vehicle.channels[i].stream == stream &&
            hookup->vehicle.channels[i].input == input)
            return i;
    return CHANNEL_NONE;
}

/* What the scale beside it has in it already. */
static json_t *calibration_json(const struct hookup *hookup, size_t channel) {
    const struct hookup_calibration *calibration = hookup_calibration(hookup, channel);
    return calibration->state == CALIBRATION_APPLIED
               ? calibration_to_json(&calibration->calibration)
               : json_null();
}

static json_t *input_json(const struct hookup *hookup, size_t stream,
                          const struct board_description *description, size_t input) {
    size_t index = channel_of_input(hookup, stream, input);
    const struct vehicle_channel *channel =
        index == CHANNEL_NONE ? NULL : &hookup->vehicle.channels[index];
    bool rails = description->rail_low[input] <= description->rail_high[input];
    return json_pack("{s:I,s:o,s:o,s:o,s:I,s:o,s:o,s:o,s:o,s:f,s:f,s:o,s:o}", "input",
                     (json_int_t)input, "channel", text_json(channel ? channel->name : NULL),
                     "role", text_json(channel ? role_name(channel->role) : NULL), "unit",
                     text_json(channel ? channel->unit : NULL), "bits",
                     (json_int_t)description->bits[input], "rail_low",
                     rails ? json_integer(description->rail_low[input]) : json_null(), "rail_high",
                     rails ? json_integer(description->rail_high[input]) : json_null(),
                     "volts_per_count", number_json(description->volts_per_count[input]),
                     "zero_counts", number_json(description->zero_counts[input]), "skew_s",
                     description->input_skew_s[input], "delay_s", description->delay_s[input],
                     "scale", channel ? scale_json(&channel->scale) : json_null(), "calibration",
                     channel ? calibration_json(hookup, index) : json_null());
}

static json_t *stream_json(const struct hookup *hookup, size_t index,
                           const struct head_stream *stream) {
    const struct board_description *description = &stream->description;
    json_t *inputs = json_array();
    for (size_t i = 0; stream->described && i < description->inputs; i++)
        json_array_append_new(inputs, input_json(hookup, index, description, i));
    bool described = stream->described;
    return json_pack(
        "{s:o,s:o,s:o,s:b,s:o,s:o,s:o,s:o}", "board", text_json(stream->name), "driver",
        text_json(stream->driver), "rate_hz", number_json(stream->rate_hz), "described", described,
        "identity", described ? text_json(description->identity) : json_null(), "skew_s",
        described ? number_json(description->skew_s) : json_null(), "dead_time_s",
        described ? number_json(description->dead_time_s) : json_null(), "inputs", inputs);
}

static json_t *date_json(void) {
    time_t now = time(NULL);
    struct tm utc;
    char text[32];
    if (!gmtime_r(&now, &utc) || !strftime(text, sizeof text, "%Y-%m-%dT%H:%M:%SZ", &utc))
        return json_null();
    return json_string(text);
}

int head_format(const struct hookup *hookup, size_t stream_count, const struct head_stream *streams,
                char **json) {
    json_t *list = json_array();
    for (size_t i = 0; i < stream_count; i++)
        json_array_append_new(list, stream_json(hookup, i, &streams[i]));
    json_t *root = json_pack("{s:s,s:s,s:o,s:o,s:o,s:o}", "format", HEAD_FORMAT, "software",
                             "cranktrap " CRANKTRAP_VERSION, "written", date_json(), "vehicle",
                             text_json(hookup->vehicle.name), "streams", list, "hookup",
                             text_json(hookup->text ? hookup->text : ""));
    /* 17 digits: every double comes back as it was. */
    char *text = root && json_array_size(list) == stream_count
                     ? json_dumps(root, JSON_COMPACT | JSON_REAL_PRECISION(17))
                     : NULL;
    json_decref(root);
    if (!text)
        return -ENOMEM;
    *json = text;
    return 0;
}
