// SPDX-License-Identifier: Apache-2.0
/*
 * drawing.c - samples into columns, columns into JSON.
 */
#include "drawing.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define DIGITS 1e5 /* values are given to 0.00001 of their unit */

struct column {
    int32_t low, high; /* low > high: nothing */
    double sum;        /* NAN: not known */
    uint32_t count;
};

struct sample {
    double at_s;
    int32_t counts;
};

/* One channel: its columns, and its samples as long as they are no more than the columns. */
struct lane {
    bool wanted;
    size_t samples;
    bool summed; /* some came summed up: the samples are not all */
    struct column *column;
    struct sample *sample;
};

struct drawing {
    const struct vehicle *vehicle;
    struct drawing_wish wish;
    double column_s;
    struct lane *lane;
};

/* Is `name` one of the names in `list`, which have commas between? */
static bool is_listed(const char *list, const char *name) {
    size_t length = strlen(name);
    for (const char *at = list; at; at = strchr(at, ',') ? strchr(at, ',') + 1 : NULL)
        if (strncmp(at, name, length) == 0 && (at[length] == ',' || at[length] == '\0'))
            return true;
    return false;
}

static int lane_make(struct lane *lane, size_t columns) {
    lane->column = malloc(columns * sizeof *lane->column);
    lane->sample = malloc(columns * sizeof *lane->sample);
    if (!lane->column || !lane->sample)
        return -ENOMEM;
    lane->wanted = true;
    for (size_t i = 0; i < columns; i++)
        lane->column[i] = (struct column){.low = INT32_MAX, .high = INT32_MIN};
    return 0;
}

int drawing_new(const struct vehicle *vehicle, const struct drawing_wish *wish,
                struct drawing **drawing) {
    struct drawing *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->vehicle = vehicle;
    made->wish = *wish;
    made->column_s = (wish->to_s - wish->from_s) / (double)wish->columns;
    made->lane = calloc(vehicle->channel_count + 1, sizeof *made->lane);
    int result = made->lane ? 0 : -ENOMEM;
    for (size_t i = 0; result == 0 && i < vehicle->channel_count; i++)
        if (!wish->channels || is_listed(wish->channels, vehicle->channels[i].name))
            result = lane_make(&made->lane[i], wish->columns);
    if (result < 0)
        drawing_free(made);
    else
        *drawing = made;
    return result;
}

void drawing_free(struct drawing *drawing) {
    if (!drawing)
        return;
    for (size_t i = 0; drawing->lane && i < drawing->vehicle->channel_count; i++) {
        free(drawing->lane[i].column);
        free(drawing->lane[i].sample);
    }
    free(drawing->lane);
    free(drawing);
}

bool drawing_wants(const struct drawing *drawing, size_t channel) {
    return drawing->lane[channel].wanted;
}

void drawing_sample(struct drawing *drawing, size_t channel, double at_s, int32_t counts) {
    struct lane *lane = &drawing->lane[channel];
    double place = (at_s - drawing->wish.from_s) / drawing->column_s;
    if (!(place >= 0) || place >= (double)drawing->wish.columns)
        return;
    struct column *column = &lane->column[(size_t)place];
    column->low = counts < column->low ? counts : column->low;
    column->high = counts > column->high ? counts : column->high;
    column->sum += counts;
    column->count++;
    if (lane->samples < drawing->wish.columns)
        lane->sample[lane->samples] = (struct sample){at_s, counts};
    lane->samples++;
}

void drawing_extremes(struct drawing *drawing, size_t channel, size_t column, int32_t low,
                      int32_t high, double mean) {
    struct lane *lane = &drawing->lane[channel];
    struct column *into = &lane->column[column];
    lane->summed = true;
    into->low = low < into->low ? low : into->low;
    into->high = high > into->high ? high : into->high;
    into->sum += mean;
    into->count++;
}

/* The samples of a run that lie in the stretch, of one channel. */
static void draw_run(struct drawing *drawing, const struct record_run *run, size_t index) {
    const struct vehicle_channel *channel = &drawing->vehicle->channels[index];
    double begin_s = run->time_s + channel->skew_s - channel->delay_s;
    double first = ceil((drawing->wish.from_s - begin_s) / run->period_s);
    double behind = ceil((drawing->wish.to_s - begin_s) / run->period_s);
    size_t scan = first > 0 ? first < (double)run->scans ? (size_t)first : run->scans : 0;
    size_t end = behind > 0 ? behind < (double)run->scans ? (size_t)behind : run->scans : 0;
    for (; scan < end; scan++)
        drawing_sample(drawing, index, begin_s + (double)scan * run->period_s,
                       run->counts[channel->input][scan]);
}

int drawing_record(struct drawing *drawing, const struct record *record) {
    const struct vehicle *vehicle = drawing->vehicle;
    /* Front ends lag by milliseconds: a second more is looked at. */
    int result = record->seek(record->context, drawing->wish.from_s - 1);
    struct record_run run;
    while (result >= 0 && (result = record->next(record->context, &run)) == 1) {
        if (run.time_s > drawing->wish.to_s + 1)
            return 0;
        for (size_t i = 0; i < vehicle->channel_count; i++)
            if (drawing->lane[i].wanted && vehicle->channels[i].stream == run.stream &&
                vehicle->channels[i].input < run.inputs)
                draw_run(drawing, &run, i);
    }
    return result;
}

/* ---- JSON ---- */

static json_t *rounded(double value) {
    return isfinite(value) ? json_real(round(value * DIGITS) / DIGITS) : json_null();
}

static json_t *value_of(const struct drawing *drawing, size_t channel, double counts) {
    return rounded(scale_value(&drawing->vehicle->channels[channel].scale, counts));
}

static void add_samples(const struct drawing *drawing, size_t channel, json_t *json) {
    const struct lane *lane = &drawing->lane[channel];
    json_t *times = json_array();
    json_t *values = json_array();
    for (size_t i = 0; i < lane->samples; i++) {
        json_array_append_new(times, json_real(lane->sample[i].at_s));
        json_array_append_new(values, value_of(drawing, channel, lane->sample[i].counts));
    }
    json_object_set_new(json, "t", times);
    json_object_set(json, "low", values);
    json_object_set(json, "high", values);
    json_object_set_new(json, "mean", values);
}

/* A scale may fall: its lowest count is then the highest value. Of a curve the mean is that of the
 * counts, seen through it. */
static void add_columns(const struct drawing *drawing, size_t channel, json_t *json) {
    const struct lane *lane = &drawing->lane[channel];
    const struct scale *scale = &drawing->vehicle->channels[channel].scale;
    json_t *low = json_array(), *high = json_array(), *mean = json_array();
    bool means = false;
    for (size_t i = 0; i < drawing->wish.columns; i++) {
        const struct column *column = &lane->column[i];
        bool any = column->low <= column->high;
        double a = any ? scale_value(scale, column->low) : (double)NAN;
        double b = any ? scale_value(scale, column->high) : (double)NAN;
        double middle = any ? scale_value(scale, column->sum / (double)column->count) : (double)NAN;
        means |= isfinite(middle);
        json_array_append_new(low, rounded(fmin(a, b)));
        json_array_append_new(high, rounded(fmax(a, b)));
        json_array_append_new(mean, rounded(middle));
    }
    json_object_set_new(json, "low", low);
    json_object_set_new(json, "high", high);
    json_object_set_new(json, "mean", means ? json_incref(mean) : json_null());
    json_decref(mean);
}

static json_t *lane_json(const struct drawing *drawing, size_t channel) {
    const struct lane *lane = &drawing->lane[channel];
    json_t *json = json_object();
    json_object_set_new(json, "name", json_string(drawing->vehicle->channels[channel].name));
    json_object_set_new(json, "unit", json_string(drawing->vehicle->channels[channel].unit));
    if (!lane->summed && lane->samples && lane->samples <= drawing->wish.columns)
        add_samples(drawing, channel, json);
    else
        add_columns(drawing, channel, json);
    return json;
}

/* How many samples the fullest lane has in a column; NAN where they came summed up. */
static double samples_per_column(const struct drawing *drawing) {
    size_t most = 0;
    for (size_t i = 0; i < drawing->vehicle->channel_count; i++) {
        if (drawing->lane[i].summed)
            return (double)NAN;
        most = drawing->lane[i].samples > most ? drawing->lane[i].samples : most;
    }
    return (double)most / (double)drawing->wish.columns;
}

json_t *drawing_json(const struct drawing *drawing, json_t *losses) {
    json_t *channels = json_array();
    for (size_t i = 0; i < drawing->vehicle->channel_count; i++)
        if (drawing->lane[i].wanted)
            json_array_append_new(channels, lane_json(drawing, i));
    json_t *json = json_object();
    json_object_set_new(json, "schema", json_string("cranktrap.draw/1"));
    json_object_set_new(json, "from_s", json_real(drawing->wish.from_s));
    json_object_set_new(json, "to_s", json_real(drawing->wish.to_s));
    json_object_set_new(json, "columns", json_integer((json_int_t)drawing->wish.columns));
    json_object_set_new(json, "samples_per_column", rounded(samples_per_column(drawing)));
    json_object_set_new(json, "channels", channels);
    json_object_set_new(json, "losses", losses ? losses : json_array());
    return json;
}

json_t *drawing_losses(const struct drawing *drawing, const struct record *record) {
    const struct record_loss *losses;
    size_t count = record->losses(record->context, &losses);
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++) {
        const struct record_loss *loss = &losses[i];
        if (loss->to_s < drawing->wish.from_s || loss->from_s > drawing->wish.to_s)
            continue;
        json_t *json = json_object();
        json_object_set_new(json, "from_s", json_real(loss->from_s));
        json_object_set_new(json, "to_s", json_real(loss->to_s));
        json_object_set_new(json, "reason", json_string(loss->reason));
        json_object_set_new(json, "scans",
                            loss->scans == RECORD_LOSS_UNKNOWN
                                ? json_null()
                                : json_integer((json_int_t)loss->scans));
        json_array_append_new(list, json);
    }
    return list;
}
