// SPDX-License-Identifier: Apache-2.0
/*
 * strip.c - from runs to columns, from columns to characters.
 */
#include "strip.h"

#include <math.h>
#include <stdint.h>
#include <string.h>

static void clear(struct strip *strip) {
    for (size_t i = 0; i < STRIP_COLUMNS; i++)
        strip->low[i] = strip->high[i] = (double)NAN;
    strip->lowest = strip->highest = (double)NAN;
}

static void widen(double *low, double *high, double value) {
    *low = fmin(*low, value); /* fmin and fmax pass over a NAN */
    *high = fmax(*high, value);
}

/* Takes the scans of a run that fall into one column, for one channel. */
static void take(struct strip *strip, const struct vehicle_channel *channel, size_t column,
                 const int32_t *counts, size_t from, size_t to) {
    int32_t least = counts[from], most = counts[from];
    for (size_t i = from + 1; i < to; i++) {
        least = counts[i] < least ? counts[i] : least;
        most = counts[i] > most ? counts[i] : most;
    }
    double a = scale_value(&channel->scale, least);
    double b = scale_value(&channel->scale, most);
    widen(&strip->low[column], &strip->high[column], fmin(a, b));
    widen(&strip->low[column], &strip->high[column], fmax(a, b));
    widen(&strip->lowest, &strip->highest, fmin(a, b));
    widen(&strip->lowest, &strip->highest, fmax(a, b));
}

/* The first scan of a run at or after `at_s`; one on the edge stays there despite rounding. */
static size_t scan_at(const struct record_run *run, double at_s) {
    double scan = ceil((at_s - run->time_s) / run->period_s - 1e-6);
    if (scan <= 0)
        return 0;
    return scan < (double)run->scans ? (size_t)scan : run->scans;
}

static void take_run(const struct record *record, const struct record_run *run, double from_s,
                     double column_s, size_t columns, struct strip *strips) {
    const struct vehicle *vehicle = record->vehicle;
    for (size_t column = 0; column < columns; column++) {
        size_t first = scan_at(run, from_s + (double)column * column_s);
        size_t last = scan_at(run, from_s + (double)(column + 1) * column_s);
        if (first >= last)
            continue;
        for (size_t i = 0; i < vehicle->channel_count; i++) {
            const struct vehicle_channel *channel = &vehicle->channels[i];
            if (channel->stream == run->stream && channel->input < run->inputs)
                take(&strips[i], channel, column, run->counts[channel->input], first, last);
        }
    }
}

int strip_fill(const struct record *record, double from_s, double to_s, size_t columns,
               struct strip *strips) {
    for (size_t i = 0; i < record->vehicle->channel_count; i++)
        clear(&strips[i]);
    double column_s = (to_s - from_s) / (double)columns;
    if (!(column_s > 0))
        return 0;
    int result = record->seek(record->context, from_s);
    if (result < 0)
        return result;
    struct record_run run;
    while ((result = record->next(record->context, &run)) > 0 && run.time_s < to_s)
        take_run(record, &run, from_s, column_s, columns, strips);
    return result < 0 ? result : 0;
}

/* ---- drawing ---- */

/* The dots (0 at the bottom) a value of [bottom, top] falls on. */
static int dot_of(double value, double bottom, double top, int dots) {
    double share = top > bottom ? (value - bottom) / (top - bottom) : 0.5;
    int dot = (int)floor(share * dots);
    return dot < 0 ? 0 : dot >= dots ? dots - 1 : dot;
}

/* Bits of the braille cell (Unicode 2800): left column from top 1 2 4 40h, right 8 10h 20h 80h. */
static const unsigned char braille_bit[2][4] = {{0x40, 0x04, 0x02, 0x01}, {0x80, 0x20, 0x10, 0x08}};

static unsigned cell_bits(const struct strip *strip, double bottom, double top, size_t cell,
                          size_t row, size_t rows) {
    unsigned bits = 0;
    int dots = (int)rows * 4;
    int lowest_dot = (int)(rows - 1 - row) * 4; /* of this cell */
    for (size_t half = 0; half < 2; half++) {
        size_t column = cell * 2 + half;
        if (isnan(strip->low[column]))
            continue;
        int from = dot_of(strip->low[column], bottom, top, dots);
        int to = dot_of(strip->high[column], bottom, top, dots);
        for (int dot = 0; dot < 4; dot++)
            if (lowest_dot + dot >= from && lowest_dot + dot <= to)
                bits |= braille_bit[half][dot];
    }
    return bits;
}

/* A character that fills about the same part of its cell. */
static char ascii_cell(unsigned bits) {
    bool top = bits & (0x01 | 0x08), upper = bits & (0x02 | 0x10);
    bool lower = bits & (0x04 | 0x20), bottom = bits & (0x40 | 0x80);
    if ((top || upper) && (lower || bottom))
        return '|';
    if (top || upper)
        return top ? '"' : '-';
    if (lower || bottom)
        return lower ? '-' : '_';
    return ' ';
}

void strip_draw(const struct strip *strip, double bottom, double top, size_t cells, size_t rows,
                bool ascii, char *const *lines) {
    for (size_t row = 0; row < rows; row++) {
        char *out = lines[row];
        for (size_t cell = 0; cell < cells; cell++) {
            unsigned bits = cell_bits(strip, bottom, top, cell, row, rows);
            if (ascii || bits == 0) {
                *out++ = bits ? ascii_cell(bits) : ' ';
            } else {
                *out++ = (char)0xE2; /* UTF-8 of U+2800 + bits */
                *out++ = (char)(0xA0 | (bits >> 6));
                *out++ = (char)(0x80 | (bits & 0x3F));
            }
        }
        *out = '\0';
    }
}
