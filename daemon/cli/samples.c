// SPDX-License-Identifier: Apache-2.0
/*
 * samples.c - asks GET /v0/samples and takes the answer apart.
 */
#include "samples.h"

#include "client.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A name as the value of a query. Three bytes a byte at most. */
static void escape(const char *name, char *escaped) {
    for (; *name; name++)
        if (isalnum((unsigned char)*name) || *name == '-' || *name == '_')
            *escaped++ = *name;
        else
            escaped += sprintf(escaped, "%%%02X", (unsigned)(unsigned char)*name);
    *escaped = '\0';
}

static char *path_of(const char *board, const char *channel, unsigned milliseconds) {
    const char *name = board ? board : channel;
    char *escaped = malloc(3 * strlen(name) + 1);
    char *path = NULL;
    if (!escaped)
        return NULL;
    escape(name, escaped);
    if (asprintf(&path, "/v0/samples?%s=%s&ms=%u", board ? "board" : "channel", escaped,
                 milliseconds) < 0)
        path = NULL;
    free(escaped);
    return path;
}

static char *text(const json_t *object, const char *key) {
    const char *found = json_string_value(json_object_get(object, key));
    return strdup(found ? found : "");
}

static void get_scale(const json_t *json, struct scale *scale) {
    const json_t *counts = json_object_get(json, "counts");
    const json_t *values = json_object_get(json, "values");
    for (size_t i = 0; i < json_array_size(counts) && i < SCALE_POINTS; i++) {
        scale->counts[i] = json_number_value(json_array_get(counts, i));
        scale->values[i] = json_number_value(json_array_get(values, i));
        scale->points++;
    }
}

static int get_lead(const json_t *json, size_t scans, struct samples_lead *lead) {
    const json_t *counts = json_object_get(json, "counts");
    const json_t *low = json_object_get(json, "rail_low");
    *lead = (struct samples_lead){
        .name = text(json, "channel"),
        .role = text(json, "role"),
        .unit = text(json, "unit"),
        .input = (size_t)json_integer_value(json_object_get(json, "input")),
        .bits = (unsigned)json_integer_value(json_object_get(json, "bits")),
        .rail_low = json_is_integer(low) ? (int32_t)json_integer_value(low) : 1,
        .rail_high = (int32_t)json_integer_value(json_object_get(json, "rail_high")),
        .counts = calloc(scans, sizeof *lead->counts)};
    if (!lead->name || !lead->role || !lead->unit || !lead->counts)
        return -ENOMEM;
    get_scale(json_object_get(json, "scale"), &lead->scale);
    for (size_t i = 0; i < scans; i++)
        lead->counts[i] = (double)json_integer_value(json_array_get(counts, i));
    return lead->scale.points >= 2 && json_array_size(counts) == scans ? 0 : -EBADMSG;
}

static int get_samples(const json_t *json, struct samples *samples) {
    const json_t *channels = json_object_get(json, "channels");
    struct samples got = {.scans = (size_t)json_integer_value(json_object_get(json, "scans")),
                          .period_s = json_number_value(json_object_get(json, "period_s")),
                          .leads = calloc(json_array_size(channels) + 1, sizeof *got.leads)};
    int result = got.leads ? 0 : -ENOMEM;
    if (result == 0 && (got.scans == 0 || json_array_size(channels) == 0))
        result = -EBADMSG;
    while (result == 0 && got.lead_count < json_array_size(channels)) {
        result = get_lead(json_array_get(channels, got.lead_count), got.scans,
                          &got.leads[got.lead_count]);
        got.lead_count++;
    }
    if (result < 0)
        samples_clear(&got);
    else
        *samples = got;
    return result;
}

int samples_take(const struct command_line *line, const char *board, const char *channel,
                 unsigned milliseconds, struct samples *samples) {
    char *path = path_of(board, channel, milliseconds);
    json_t *answer = NULL;
    int result = path ? client_ask(line, "GET", path, NULL, false, &answer) : -ENOMEM;
    free(path);
    if (result < 0)
        return result;
    result = get_samples(answer, samples);
    json_decref(answer);
    if (result < 0)
        command_say(line, "the daemon's samples cannot be read: %s", strerror(-result));
    return result;
}

void samples_clear(struct samples *samples) {
    for (size_t i = 0; i < samples->lead_count; i++) {
        free(samples->leads[i].name);
        free(samples->leads[i].role);
        free(samples->leads[i].unit);
        free(samples->leads[i].counts);
    }
    free(samples->leads);
    *samples = (struct samples){0};
}

static double mean(const double *values, size_t count) {
    double sum = 0.0;
    for (size_t i = 0; i < count; i++)
        sum += values[i];
    return sum / (double)count;
}

void samples_reading(const struct samples *samples, const struct samples_lead *lead,
                     struct calibration_reading *reading) {
    size_t count = samples->scans, half = count / 2;
    struct calibration_reading read = {
        .mean = mean(lead->counts, count), .lowest = lead->counts[0], .highest = lead->counts[0]};
    double squares = 0.0;
    for (size_t i = 0; i < count; i++) {
        double value = lead->counts[i];
        squares += (value - read.mean) * (value - read.mean);
        read.lowest = fmin(read.lowest, value);
        read.highest = fmax(read.highest, value);
    }
    read.rms = sqrt(squares / (double)count);
    if (half > 0)
        read.drift = mean(lead->counts + half, count - half) - mean(lead->counts, half);
    *reading = read;
}

double samples_per_count(const struct samples_lead *lead, double counts) {
    return fabs(scale_value(&lead->scale, counts + 0.5) - scale_value(&lead->scale, counts - 0.5));
}
