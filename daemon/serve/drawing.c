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
#define FINER  2   /* columns of a finer drawing in one, at least: none is off by more than half */

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
    bool summed; /* some came summed up, or there was no memory: not all samples are held */
    struct column *column;
    struct sample *sample;
    size_t room;
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
    if (!lane->column)
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

static bool has_all_samples(const struct drawing *drawing, const struct lane *lane) {
    return !lane->summed && lane->samples <= drawing->wish.columns;
}

/* Holds one more sample, as long as single ones may be wanted. */
static void hold(const struct drawing *drawing, struct lane *lane, double at_s, int32_t counts) {
    if (lane->samples++ >= drawing->wish.columns || lane->summed)
        return;
    if (lane->samples > lane->room) {
        size_t room = lane->room ? 2 * lane->room : 256;
        struct sample *grown = reallocarray(lane->sample, room, sizeof *grown);
        if (!grown) {
            lane->summed = true;
            return;
        }
        lane->sample = grown;
        lane->room = room;
    }
    lane->sample[lane->samples - 1] = (struct sample){at_s, counts};
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
    hold(drawing, lane, at_s, counts);
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

/* Of a run, in one channel: scan i stands at begin_s + i * period_s. */
struct samples {
    double begin_s, period_s;
    const int32_t *counts;
};

/* The first scan of [0, scans] that is not before `at_s`. */
static size_t scan_at(const struct samples *samples, size_t scans, double at_s) {
    double scan = ceil((at_s - samples->begin_s) / samples->period_s);
    return scan > 0 ? scan < (double)scans ? (size_t)scan : scans : 0;
}

/* Samples that are too many to be held one by one: column after column. */
static void draw_many(struct drawing *drawing, struct lane *lane, const struct samples *samples,
                      size_t first, size_t end) {
    lane->samples += end - first;
    free(lane->sample);
    lane->sample = NULL;
    for (size_t scan = first; scan < end;) {
        double at_s = samples->begin_s + (double)scan * samples->period_s;
        double place = fmax((at_s - drawing->wish.from_s) / drawing->column_s, 0);
        if (place >= (double)drawing->wish.columns)
            break;
        struct column *column = &lane->column[(size_t)place];
        double next_s = drawing->wish.from_s + floor(place + 1) * drawing->column_s;
        size_t behind = scan_at(samples, end, next_s);
        behind = behind > scan ? behind : scan + 1;
        int64_t sum = 0;
        for (size_t i = scan; i < behind; i++) {
            int32_t counts = samples->counts[i];
            column->low = counts < column->low ? counts : column->low;
            column->high = counts > column->high ? counts : column->high;
            sum += counts;
        }
        column->sum += (double)sum;
        column->count += (uint32_t)(behind - scan);
        scan = behind;
    }
}

/* The samples of a run that lie in the stretch, of one channel. */
static void draw_run(struct drawing *drawing, const struct record_run *run, size_t index) {
    const struct vehicle_channel *channel = &drawing->vehicle->channels[index];
    struct lane *lane = &drawing->lane[index];
    const struct samples samples = {run->time_s + channel->skew_s - channel->delay_s, run->period_s,
                                    run->counts[channel->input]};
    size_t scan = scan_at(&samples, run->scans, drawing->wish.from_s);
    size_t end = scan_at(&samples, run->scans, drawing->wish.to_s);
    if (lane->samples + (end - scan) > drawing->wish.columns) {
        draw_many(drawing, lane, &samples, scan, end);
        return;
    }
    for (; scan < end; scan++)
        drawing_sample(drawing, index, samples.begin_s + (double)scan * samples.period_s,
                       samples.counts[scan]);
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

/* ---- out of a finer one ---- */

bool drawing_is_finer(const struct drawing *fine, const struct drawing_wish *wish) {
    return (wish->to_s - wish->from_s) / (double)wish->columns >= FINER * fine->column_s;
}

static void draw_column(struct drawing *drawing, size_t channel, double at_s,
                        const struct column *fine) {
    struct lane *lane = &drawing->lane[channel];
    double place = (at_s - drawing->wish.from_s) / drawing->column_s;
    if (fine->low > fine->high || !(place >= 0) || place >= (double)drawing->wish.columns)
        return;
    struct column *column = &lane->column[(size_t)place];
    column->low = fine->low < column->low ? fine->low : column->low;
    column->high = fine->high > column->high ? fine->high : column->high;
    column->sum += fine->sum;
    column->count += fine->count;
    lane->samples += fine->count;
    lane->summed = true;
}

void drawing_of_finer(struct drawing *drawing, const struct drawing *fine) {
    for (size_t channel = 0; channel < drawing->vehicle->channel_count; channel++) {
        const struct lane *lane = &fine->lane[channel];
        if (!drawing->lane[channel].wanted || !lane->wanted)
            continue;
        if (has_all_samples(fine, lane)) {
            for (size_t i = 0; i < lane->samples; i++)
                drawing_sample(drawing, channel, lane->sample[i].at_s, lane->sample[i].counts);
            continue;
        }
        for (size_t i = 0; i < fine->wish.columns; i++)
            draw_column(drawing, channel, fine->wish.from_s + ((double)i + 0.5) * fine->column_s,
                        &lane->column[i]);
    }
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
    if (lane->samples && has_all_samples(drawing, lane))
        add_samples(drawing, channel, json);
    else
        add_columns(drawing, channel, json);
    return json;
}

/* How many samples the fullest lane has in a column; NAN where nobody has counted them. */
static double samples_per_column(const struct drawing *drawing) {
    size_t most = 0;
    for (size_t i = 0; i < drawing->vehicle->channel_count; i++) {
        if (drawing->lane[i].summed && !drawing->lane[i].samples)
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
