// SPDX-License-Identifier: Apache-2.0
/*
 * head_parse.c - reads a container's head, from bytes that anybody may have written.
 */
#include "head.h"

#include "calibration_json.h"

#include <errno.h>
#include <jansson.h>
#include <limits.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define STREAMS_MAX 256

/* A parsed head and what its strings live in. */
struct parsed {
    struct head head;
    json_t *root;
};

/* Where a sentence for the caller goes. */
struct why {
    char *text;
    size_t size;
};

__attribute__((format(printf, 2, 3))) static int bad(const struct why *why, const char *format,
                                                     ...) {
    va_list arguments;
    va_start(arguments, format);
    if (why->size)
        vsnprintf(why->text, why->size, format, arguments);
    va_end(arguments);
    return -EBADMSG;
}

/* ---- values ---- */

/* The text, or NULL and a sentence. */
static const char *get_text(const json_t *object, const char *key, const struct why *why) {
    const char *text = json_string_value(json_object_get(object, key));
    if (!text)
        bad(why, "the head's \"%s\" is no text", key);
    return text;
}

/* A finite number; `missing` for null, unless that is not allowed (pass INFINITY). */
static int get_number(const json_t *object, const char *key, double missing, double *number,
                      const struct why *why) {
    const json_t *value = json_object_get(object, key);
    if (json_is_null(value) && !isinf(missing)) {
        *number = missing;
        return 0;
    }
    if (!json_is_number(value) || !isfinite(json_number_value(value)))
        return bad(why, "the head's \"%s\" is no number", key);
    *number = json_number_value(value);
    return 0;
}

static int get_whole(const json_t *object, const char *key, int64_t lowest, int64_t highest,
                     int64_t *whole, const struct why *why) {
    const json_t *value = json_object_get(object, key);
    if (!json_is_integer(value) || json_integer_value(value) < lowest ||
        json_integer_value(value) > highest)
        return bad(why, "the head's \"%s\" is no whole number of %lld to %lld", key,
                   (long long)lowest, (long long)highest);
    *whole = json_integer_value(value);
    return 0;
}

static int get_scale(const json_t *input, struct scale *scale, const struct why *why) {
    const json_t *object = json_object_get(input, "scale");
    const json_t *counts = json_object_get(object, "counts");
    const json_t *values = json_object_get(object, "values");
    size_t points = json_array_size(counts);
    if (points < 2 || points > SCALE_POINTS || json_array_size(values) != points)
        return bad(why, "a scale of the head has not 2 to %d points", SCALE_POINTS);
    struct scale read = {.points = points};
    for (size_t i = 0; i < points; i++) {
        const json_t *count = json_array_get(counts, i);
        const json_t *value = json_array_get(values, i);
        read.counts[i] = json_number_value(count);
        read.values[i] = json_number_value(value);
        if (!json_is_number(count) || !json_is_number(value) || !isfinite(read.counts[i]) ||
            !isfinite(read.values[i]) || (i && read.counts[i] <= read.counts[i - 1]))
            return bad(why, "a scale of the head is not numbers with rising counts");
    }
    *scale = read;
    return 0;
}

/* ---- streams ---- */

static int get_input(const json_t *input, size_t index, struct board_description *description,
                     const struct why *why) {
    int64_t number, bits = 0, low = 1, high = 0; /* low > high: not known */
    int error = get_whole(input, "input", (int64_t)index, (int64_t)index, &number, why);
    if (!error)
        error = get_whole(input, "bits", 0, 32, &bits, why);
    if (!error && !json_is_null(json_object_get(input, "rail_low")))
        error = get_whole(input, "rail_low", INT32_MIN, INT32_MAX, &low, why);
    if (!error && !json_is_null(json_object_get(input, "rail_high")))
        error = get_whole(input, "rail_high", INT32_MIN, INT32_MAX, &high, why);
    if (!error)
        error = get_number(input, "volts_per_count", (double)NAN,
                           &description->volts_per_count[index], why);
    if (!error)
        error = get_number(input, "zero_counts", 0, &description->zero_counts[index], why);
    if (!error)
        error = get_number(input, "skew_s", 0, &description->input_skew_s[index], why);
    if (!error)
        error = get_number(input, "delay_s", 0, &description->delay_s[index], why);
    if (error)
        return error;
    description->bits[index] = (unsigned)bits;
    description->rail_low[index] = (int32_t)low;
    description->rail_high[index] = (int32_t)high;
    return 0;
}

static int get_description(const json_t *object, struct board_description *description,
                           const struct why *why) {
    const json_t *inputs = json_object_get(object, "inputs");
    size_t count = json_array_size(inputs);
    if (count == 0 || count > BOARD_INPUTS_MAX)
        return bad(why, "a board of the head has not 1 to %d inputs", BOARD_INPUTS_MAX);
    const char *identity = get_text(object, "identity", why);
    if (!identity)
        return -EBADMSG;
    int error = get_number(object, "skew_s", (double)NAN, &description->skew_s, why);
    if (!error)
        error = get_number(object, "dead_time_s", 0, &description->dead_time_s, why);
    description->inputs = count;
    for (size_t i = 0; !error && i < count; i++)
        error = get_input(json_array_get(inputs, i), i, description, why);
    if (error)
        return error;
    snprintf(description->identity, sizeof description->identity, "%s", identity);
    return 0;
}

static int get_stream(const json_t *object, struct head_stream *stream, const struct why *why) {
    if (!json_is_boolean(json_object_get(object, "described")))
        return bad(why, "the head's \"described\" is neither true nor false");
    stream->described = json_is_true(json_object_get(object, "described"));
    stream->name = get_text(object, "board", why);
    stream->driver = stream->name ? get_text(object, "driver", why) : NULL;
    if (!stream->driver)
        return -EBADMSG;
    int error = get_number(object, "rate_hz", 0, &stream->rate_hz, why);
    if (!error && stream->rate_hz < 0)
        error = bad(why, "the head's \"rate_hz\" is below 0");
    if (!error && stream->described)
        error = get_description(object, &stream->description, why);
    stream->description.rate_hz = stream->rate_hz;
    return error;
}

static int get_streams(struct parsed *parsed, const struct why *why) {
    const json_t *list = json_object_get(parsed->root, "streams");
    size_t count = json_array_size(list);
    if (count == 0 || count > STREAMS_MAX)
        return bad(why, "the head has not 1 to %d streams", STREAMS_MAX);
    parsed->head.streams = calloc(count, sizeof *parsed->head.streams);
    if (!parsed->head.streams)
        return -ENOMEM;
    parsed->head.stream_count = count;
    int error = 0;
    for (size_t i = 0; !error && i < count; i++)
        error = get_stream(json_array_get(list, i), &parsed->head.streams[i], why);
    return error;
}

/* ---- the hookup ---- */

static bool is_import(const struct head *head) {
    return head->stream_count > 0 && head->streams[0].driver &&
           strcmp(head->streams[0].driver, "import") == 0;
}

/* The first problem as a sentence; there is hardly ever another in a file that once was read. */
static int bad_hookup(const struct problems *problems, const struct why *why) {
    if (!problems->count)
        return bad(why, "the hookup in this file cannot be read");
    const struct problem *problem = &problems->problem[0];
    return bad(why, "the hookup in this file, line %u: %s%s%s%s%s", problem->line,
               problem->where ? problem->where : "", problem->where ? ": " : "",
               problem->read ? problem->read : "", problem->read ? ": " : "", problem->text);
}

/* The stream and input whose channel in the head is called `name`; NULL where none is. */
static const json_t *input_named(const json_t *streams, const char *name, size_t *stream,
                                 size_t *input) {
    size_t i, k;
    json_t *object, *entry;
    json_array_foreach(streams, i, object) {
        json_array_foreach(json_object_get(object, "inputs"), k, entry) {
            const char *channel = json_string_value(json_object_get(entry, "channel"));
            if (channel && strcmp(channel, name) == 0) {
                *stream = i;
                *input = k;
                return entry;
            }
        }
    }
    return NULL;
}

/* Columns have no board that could tell their scale: the head alone has it. */
static int fit_import(struct parsed *parsed, const struct why *why) {
    struct hookup *hookup = parsed->head.hookup;
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++) {
        size_t stream, input;
        const json_t *entry = input_named(json_object_get(parsed->root, "streams"),
                                          hookup->vehicle.channels[i].name, &stream, &input);
        if (!entry)
            return bad(why, "channel \"%s\" of the hookup has no column in this file",
                       hookup->vehicle.channels[i].name);
        struct scale scale;
        int error = get_scale(entry, &scale, why);
        if (!error)
            error = hookup_fit_import(hookup, i, stream, input, &scale);
        if (error)
            return error;
    }
    return 0;
}

static int get_calibrations(const json_t *stream, struct calibration *calibrations, size_t *count,
                            const struct why *why) {
    size_t i;
    json_t *input;
    json_array_foreach(json_object_get(stream, "inputs"), i, input) {
        const json_t *entry = json_object_get(input, "calibration");
        if (!entry || json_is_null(entry))
            continue;
        if (*count == BOARD_INPUTS_MAX || calibration_from_json(entry, &calibrations[*count]) < 0)
            return bad(why, "a calibration of the head makes no sense");
        (*count)++;
    }
    return 0;
}

/* Those it was recorded with, whatever the state folder has by now: each board's own. */
static int calibrate(struct parsed *parsed, size_t stream, const struct why *why) {
    const json_t *object = json_array_get(json_object_get(parsed->root, "streams"), stream);
    struct calibration *calibrations = calloc(BOARD_INPUTS_MAX, sizeof *calibrations);
    size_t count = 0;
    if (!calibrations)
        return -ENOMEM;
    int error = get_calibrations(object, calibrations, &count, why);
    if (!error)
        error = hookup_calibrate(parsed->head.hookup, calibrations, count);
    free(calibrations);
    return error;
}

static int fit_boards(struct parsed *parsed, const struct why *why) {
    struct head *head = &parsed->head;
    if (head->stream_count != head->hookup->board_count)
        return bad(why, "the head has %zu streams, its hookup %zu boards", head->stream_count,
                   head->hookup->board_count);
    int error = 0;
    for (size_t i = 0; !error && i < head->stream_count; i++) {
        struct problems problems = {0};
        if (head->streams[i].described)
            error = calibrate(parsed, i, why);
        if (!error && head->streams[i].described)
            error = hookup_fit_board(head->hookup, i, &head->streams[i].description, &problems);
        if (error == -EINVAL)
            error = bad_hookup(&problems, why);
        problems_clear(&problems);
    }
    return error;
}

static int get_hookup(struct parsed *parsed, const struct why *why) {
    struct problems problems = {0};
    const char *text = get_text(parsed->root, "hookup", why);
    if (!text)
        return -EBADMSG;
    bool import = is_import(&parsed->head);
    int error = hookup_parse(text, strlen(text), import ? HOOKUP_FOR_IMPORT : HOOKUP_FOR_BOARDS,
                             &parsed->head.hookup, &problems);
    if (error && error != -ENOMEM)
        error = bad_hookup(&problems, why);
    problems_clear(&problems);
    if (error)
        return error;
    return import ? fit_import(parsed, why) : fit_boards(parsed, why);
}

/* ---- the whole ---- */

static int get_all(struct parsed *parsed, const struct why *why) {
    const char *format = get_text(parsed->root, "format", why);
    if (!format)
        return -EBADMSG;
    if (strcmp(format, HEAD_FORMAT) != 0)
        return bad(why, "the head is of format \"%.40s\", this program reads " HEAD_FORMAT, format);
    const char *software = get_text(parsed->root, "software", why);
    if (!software)
        return -EBADMSG;
    parsed->head.software = strdup(software);
    if (!parsed->head.software)
        return -ENOMEM;
    int error = get_streams(parsed, why);
    return error ? error : get_hookup(parsed, why);
}

int head_parse(const char *json, size_t length, struct head **head, char *why, size_t why_size) {
    const struct why sentence = {why, why_size};
    struct parsed *parsed = calloc(1, sizeof *parsed);
    if (!parsed)
        return -ENOMEM;
    json_error_t fault;
    parsed->root = json_loadb(json, length, JSON_REJECT_DUPLICATES, &fault);
    int error = parsed->root ? get_all(parsed, &sentence)
                             : bad(&sentence, "the head is no JSON: %s", fault.text);
    if (error) {
        head_free(&parsed->head);
        return error;
    }
    *head = &parsed->head;
    return 0;
}

void head_free(struct head *head) {
    if (!head)
        return;
    struct parsed *parsed = (struct parsed *)head;
    hookup_free(head->hookup);
    free(head->software);
    free(head->streams);
    json_decref(parsed->root);
    free(parsed);
}
