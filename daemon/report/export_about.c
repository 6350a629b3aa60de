// SPDX-License-Identifier: Apache-2.0
/*
 * export_about.c - rows counted, and told about in JSON.
 */
#include "export_about.h"

#include "board_limits.h"

#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

struct export_rows export_rows_begin(void) {
    return (struct export_rows){.first_s = (double)NAN, .last_s = (double)NAN};
}

uint64_t export_rows_take(struct export_rows *rows, const struct record_run *run, bool fill) {
    double missing = 0;
    if (isnan(rows->first_s))
        rows->first_s = run->time_s;
    else
        missing = round((run->time_s - rows->next_s) / run->period_s);
    uint64_t count = missing >= 1 ? (uint64_t)missing : 0;
    rows->last_s = run->time_s + (double)(run->scans - 1) * run->period_s;
    rows->next_s = rows->last_s + run->period_s;
    rows->rows += run->scans + (fill ? count : 0);
    rows->filled += fill ? count : 0;
    return count;
}

double export_rows_rate(const struct export_rows *rows) {
    double length_s = rows->last_s - rows->first_s;
    return rows->rows > 1 && length_s > 0 ? (double)(rows->rows - 1) / length_s : (double)NAN;
}

static json_t *number(double value) {
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *columns_json(const struct export_table *table) {
    json_t *array = json_array();
    for (size_t i = 0; i < table->columns; i++) {
        const struct vehicle_channel *channel = table->column[i];
        json_t *counts = json_array(), *values = json_array();
        for (size_t point = 0; point < channel->scale.points; point++) {
            json_array_append_new(counts, json_real(channel->scale.counts[point]));
            json_array_append_new(values, json_real(channel->scale.values[point]));
        }
        bool rails = channel->rail_low <= channel->rail_high;
        json_array_append_new(
            array,
            json_pack("{s:s, s:s, s:s, s:i, s:{s:o, s:o}, s:o, s:o}", "channel", channel->name,
                      "role", role_name(channel->role), "unit", channel->unit, "input",
                      (int)channel->input, "scale", "counts", counts, "values", values, "rail_low",
                      rails ? json_integer(channel->rail_low) : json_null(), "rail_high",
                      rails ? json_integer(channel->rail_high) : json_null()));
    }
    return array;
}

static json_t *losses_json(const struct export_table *table) {
    const struct record_loss *losses;
    size_t count = table->record->losses(table->record->context, &losses);
    json_t *array = json_array();
    for (size_t i = 0; i < count; i++) {
        if (losses[i].stream != table->stream || report_is_pause(&losses[i]))
            continue;
        bool known = losses[i].scans != RECORD_LOSS_UNKNOWN;
        json_array_append_new(
            array,
            json_pack("{s:f, s:f, s:o, s:s?}", "from_s", losses[i].from_s, "to_s", losses[i].to_s,
                      "rows", known ? json_integer((json_int_t)losses[i].scans) : json_null(),
                      "reason", losses[i].reason));
    }
    return array;
}

/* Those of a burst board are many, and the times show each. */
static json_t *pauses_json(const struct export_table *table) {
    const struct record_loss *losses;
    size_t count = table->record->losses(table->record->context, &losses);
    struct report_pauses pauses;
    report_pauses(losses, count, table->stream, &pauses);
    return json_pack("{s:I, s:f}", "count", (json_int_t)pauses.count, "seconds", pauses.seconds);
}

static json_t *about_json(const struct export_table *table, const struct export_rows *rows,
                          const char *filled) {
    int64_t wall_ns = playback_wall_ns(table->playback);
    json_t *json = json_object();
    json_object_set_new(json, "schema", json_string("cranktrap.rows/1"));
    json_object_set_new(json, "vehicle",
                        table->record->vehicle->name ? json_string(table->record->vehicle->name)
                                                     : json_null());
    json_object_set_new(json, "recorded_by", json_string(playback_head(table->playback)->software));
    json_object_set_new(json, "board", json_string(table->board->name));
    json_object_set_new(json, "wall_s",
                        wall_ns > 0 ? json_real((double)wall_ns * 1e-9) : json_null());
    json_object_set_new(json, "elapsed_s",
                        json_real((double)playback_elapsed_ns(table->playback) * 1e-9));
    json_object_set_new(json, "values", json_string(table->counts ? "counts" : "units"));
    json_object_set_new(json, "rows", json_integer((json_int_t)rows->rows));
    json_object_set_new(json, "rows_filled", json_integer((json_int_t)rows->filled));
    json_object_set_new(json, "filled_with", filled ? json_string(filled) : json_null());
    json_object_set_new(json, "first_s", number(rows->first_s));
    json_object_set_new(json, "last_s", number(rows->last_s));
    json_object_set_new(json, "claimed_hz", number(table->board->rate_hz));
    json_object_set_new(json, "rate_hz", filled ? number(export_rows_rate(rows)) : json_null());
    json_object_set_new(json, "columns", columns_json(table));
    json_object_set_new(json, "losses", losses_json(table));
    json_object_set_new(json, "pauses", pauses_json(table));
    return json;
}

char *export_about_text(const struct export_table *table, const struct export_rows *rows,
                        const char *filled) {
    json_t *json = about_json(table, rows, filled);
    char *text = json_dumps(json, JSON_INDENT(1) | JSON_REAL_PRECISION(17));
    json_decref(json);
    return text;
}

int export_about_write(const struct export_table *table, const struct export_rows *rows,
                       const char *filled, const char *path) {
    FILE *stream = fopen(path, "wxe");
    if (!stream)
        return -errno;
    char *text = export_about_text(table, rows, filled);
    int result = !text ? -ENOMEM : fputs(text, stream) == EOF ? -errno : 0;
    free(text);
    if (result == 0 && (fputc('\n', stream) == EOF || fflush(stream) != 0))
        result = -errno;
    if (result == 0 && fsync(fileno(stream)) < 0)
        result = -errno;
    if (fclose(stream) != 0 && result == 0)
        result = -errno;
    return result;
}
