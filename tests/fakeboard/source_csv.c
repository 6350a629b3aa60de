// SPDX-License-Identifier: Apache-2.0
/*
 * source_csv.c - plays a CSV of volts: time in seconds, then one column an input.
 *
 * Without a rate of its own the board makes one scan a row; with one, it samples the straight
 * lines between the rows.
 */
#include "source.h"
#include "table.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct csv {
    struct table table;
    bool row_by_row;
    double rate_hz;
    double begin_s; /* of the first scan, on the table's axis */
    uint64_t scan, scans;
    size_t row; /* the last one not after the scan */
};

static bool csv_next(void *state, double *volts) {
    struct csv *csv = state;
    const struct table *table = &csv->table;
    if (csv->scan == csv->scans)
        return false;
    double time_s = csv->begin_s + (double)csv->scan / csv->rate_hz;
    double part = 0;
    if (csv->row_by_row) {
        double row = round((time_s - table_at(table, 0, 0)) * csv->rate_hz);
        csv->row = row < 0 ? 0 : (size_t)row < table->rows ? (size_t)row : table->rows - 1;
    } else {
        while (csv->row + 1 < table->rows && table_at(table, csv->row + 1, 0) <= time_s)
            csv->row++;
        double before = table_at(table, csv->row, 0);
        if (csv->row + 1 < table->rows && time_s > before)
            part = (time_s - before) / (table_at(table, csv->row + 1, 0) - before);
    }
    for (size_t i = 1; i < table->columns; i++) {
        double value = table_at(table, csv->row, i);
        if (part > 0)
            value += part * (table_at(table, csv->row + 1, i) - value);
        volts[i - 1] = value;
    }
    csv->scan++;
    return true;
}

static void csv_close(void *state) {
    struct csv *csv = state;
    table_free(&csv->table);
    free(csv);
}

int source_csv_open(const char *path, double rate_hz, double lead_in_s, double lead_out_s,
                    struct source *source) {
    struct csv *csv = calloc(1, sizeof *csv);
    if (!csv || table_read(path, &csv->table) < 0) {
        free(csv);
        return -1;
    }
    const struct table *table = &csv->table;
    double first_s = table_at(table, 0, 0);
    double last_s = table_at(table, table->rows - 1, 0);
    csv->row_by_row = rate_hz <= 0;
    csv->rate_hz = csv->row_by_row ? (double)(table->rows - 1) / (last_s - first_s) : rate_hz;
    csv->begin_s = first_s - lead_in_s;
    csv->scans = 1 + (uint64_t)llround((last_s + lead_out_s - csv->begin_s) * csv->rate_hz);
    *source = (struct source){.inputs = table->columns - 1,
                              .rate_hz = csv->rate_hz,
                              .state = csv,
                              .next = csv_next,
                              .close = csv_close};
    for (size_t i = 1; i < table->columns; i++)
        memcpy(source->input_names[i - 1], table->names[i], sizeof table->names[i]);
    return 0;
}
