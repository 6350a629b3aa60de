// SPDX-License-Identifier: Apache-2.0
/*
 * picture.c - channels drawn above each other from strips.
 */
#include "picture.h"

#include "report_words.h"
#include "strip.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LABEL_COLUMNS 10 /* "  12.6 V |" */
#define ROWS          3  /* of one channel's drawing */
#define CELLS_MOST    70 /* characters, two columns each */

/* A span that shows the channel honestly: a steady lead is drawn flat, not as magnified noise. */
static void choose_span(const struct vehicle_channel *channel, const struct strip *strip,
                        double *bottom, double *top) {
    double low = strip->lowest, high = strip->highest;
    if (strcmp(channel->unit, "V") == 0 && channel->role != ROLE_RETURN &&
        channel->role != ROLE_GROUND)
        low = fmin(low, 0);
    double least = channel->role == ROLE_RETURN || channel->role == ROLE_GROUND ? 0.5 : 1.0;
    if (high - low < least)
        high = low + least;
    *bottom = low;
    *top = high;
}

/* What prints as zero prints without a sign. */
static double without_sign_of_zero(double value) {
    return fabs(value) < 0.005 ? 0.0 : value;
}

static void draw_strip(const struct page *page, const struct strip *strip, double bottom,
                       double top, const char *unit, int digits, size_t cells) {
    char storage[ROWS][CELLS_MOST * 4 + 1];
    char *lines[ROWS];
    for (size_t row = 0; row < ROWS; row++)
        lines[row] = storage[row];
    strip_draw(strip, bottom, top, cells, ROWS, page->ascii, lines);
    for (size_t row = 0; row < ROWS; row++) {
        if (row == 0 || row == ROWS - 1)
            fprintf(page->stream, "%*.*f %s ", LABEL_COLUMNS - 2 - (int)strlen(unit), digits,
                    without_sign_of_zero(row ? bottom : top), unit);
        else
            fprintf(page->stream, "%*s", LABEL_COLUMNS, "");
        fprintf(page->stream, "%s\n", lines[row]);
    }
}

static void draw_channel(const struct report *report, const struct page *page, size_t index,
                         size_t cells) {
    const struct vehicle_channel *channel = &report->vehicle->channels[index];
    const struct strip *strip = &report->strips[index];
    fprintf(page->stream, "\n%s (%s)\n", channel->name, role_name(channel->role));
    if (isnan(strip->lowest)) {
        fputs("  no samples in this stretch\n", page->stream);
        return;
    }
    double bottom, top;
    choose_span(channel, strip, &bottom, &top);
    draw_strip(page, strip, bottom, top, channel->unit, 2, cells);
}

static const char *tellers(const struct analysis_attempt *attempt) {
    size_t by_edges = 0;
    for (size_t i = 0; i < attempt->speed_count; i++)
        by_edges += attempt->speeds[i].source == ROTATION_BY_EDGES;
    return by_edges == 0                      ? "compressions"
           : by_edges == attempt->speed_count ? "edges"
                                              : "edges, and from compressions where there are none";
}

/* The engine's speed over the same time; nothing where nothing tells it. */
static void draw_speed(const struct report *report, const struct page *page, size_t cells) {
    const struct analysis_attempt *attempt = report_attempt(report);
    if (attempt == NULL || attempt->speed_count < 2)
        return;
    struct strip strip = {.lowest = 0.0, .highest = 0.0};
    size_t columns = 2 * cells;
    double column_s = (report->shown_to_s - report->shown_from_s) / (double)columns;
    double step_s = attempt->speeds[1].at_s - attempt->speeds[0].at_s;
    for (size_t i = 0; i < columns; i++)
        strip.low[i] = strip.high[i] = (double)NAN;
    for (size_t i = 0; i < attempt->speed_count; i++) {
        const struct analysis_speed *speed = &attempt->speeds[i];
        double first = floor((speed->at_s - report->shown_from_s) / column_s);
        double last = floor((speed->at_s + step_s - report->shown_from_s) / column_s);
        if (last < 0.0)
            continue;
        for (size_t column = (size_t)fmax(first, 0.0); column <= (size_t)last && column < columns;
             column++)
            strip.low[column] = strip.high[column] = speed->rpm;
        strip.highest = fmax(strip.highest, speed->rpm);
    }
    fprintf(page->stream, "\nengine speed (from %s)\n", tellers(attempt));
    draw_strip(page, &strip, 0.0, strip.highest, "rpm", 0, cells);
}

static size_t cell_of(const struct report *report, double at_s, size_t cells) {
    double share = (at_s - report->shown_from_s) / (report->shown_to_s - report->shown_from_s);
    double cell = floor(share * (double)cells);
    return cell < 0 ? 0 : cell >= (double)cells ? cells - 1 : (size_t)cell;
}

/* "[key-on      [cranking                 [running" */
static void draw_phases(const struct report *report, const struct page *page, size_t cells) {
    char line[CELLS_MOST + 1];
    memset(line, ' ', cells);
    line[cells] = '\0';
    for (size_t i = 0; i < report->analysis->phase_count; i++) {
        const struct analysis_phase *phase = &report->analysis->phases[i];
        if (phase->to_s <= report->shown_from_s || phase->from_s >= report->shown_to_s)
            continue;
        size_t from = cell_of(report, phase->from_s, cells);
        size_t to = cell_of(report, phase->to_s, cells);
        const char *name = phase_name(phase->phase);
        size_t length = strlen(name);
        line[from] = '[';
        if (to - from > length)
            memcpy(line + from + 1, name, length);
    }
    fprintf(page->stream, "%*s%s\n", LABEL_COLUMNS, "phase ", line);
}

/* A round number of seconds between labels so that about six fit. */
static double label_step(double seconds) {
    double step = pow(10, floor(log10(seconds / 6)));
    return seconds / step <= 12 ? step * 2 : seconds / step <= 30 ? step * 5 : step * 10;
}

static void draw_axis(const struct report *report, const struct page *page, size_t cells) {
    char line[CELLS_MOST + 16];
    memset(line, ' ', sizeof line);
    double step = label_step(report->shown_to_s - report->shown_from_s);
    size_t free_from = 0;
    double first = ceil((report->shown_from_s - report->zero_s) / step);
    for (double i = first; i * step + report->zero_s < report->shown_to_s; i++) {
        size_t cell = cell_of(report, i * step + report->zero_s, cells);
        char label[16];
        int length = snprintf(label, sizeof label, "'%.6g", i == 0 ? 0.0 : i * step);
        if (length <= 0 || cell < free_from || cell + (size_t)length > cells)
            continue;
        memcpy(line + cell, label, (size_t)length);
        free_from = cell + (size_t)length + 1;
    }
    line[cells] = '\0';
    fprintf(page->stream, "%*s%s\n", LABEL_COLUMNS, "seconds ", line);
}

static void draw_moment(const struct report *report, const struct page *page, size_t cells) {
    const struct analysis_verdict *verdict = &report->analysis->verdict;
    if (verdict->fault == FAULT_NOTHING_FOUND || !isfinite(verdict->at_s) ||
        verdict->at_s < report->shown_from_s || verdict->at_s > report->shown_to_s)
        return;
    char label[64];
    snprintf(label, sizeof label, "^ %s", fault_name(verdict->fault));
    size_t cell = cell_of(report, verdict->at_s, cells);
    size_t length = strlen(label);
    if (cell + length > cells) { /* write it to the left of its mark */
        snprintf(label, sizeof label, "%s ^", fault_name(verdict->fault));
        cell = cell + 1 > length ? cell + 1 - length : 0;
    }
    fprintf(page->stream, "%*s%*s", LABEL_COLUMNS, "", (int)cell, "");
    page_state(page, PAGE_OUT, label);
    fputc('\n', page->stream);
}

void picture_draw(const struct report *report, const struct page *page) {
    if (!(report->shown_to_s > report->shown_from_s))
        return;
    size_t cells = CELLS_MOST;
    if (cells + LABEL_COLUMNS > page->width)
        cells = page->width - LABEL_COLUMNS;
    if (strip_fill(report->record, report->shown_from_s, report->shown_to_s, cells * 2,
                   report->strips) < 0)
        return; /* a drawing less; the file's damage stands among the losses */
    char words[96];
    snprintf(words, sizeof words, "The moment (second 0: %s)", words_zero(report));
    page_heading(page, words);
    for (size_t i = 0; i < report->vehicle->channel_count; i++)
        draw_channel(report, page, i, cells);
    draw_speed(report, page, cells);
    draw_moment(report, page, cells);
    draw_phases(report, page, cells);
    draw_axis(report, page, cells);
}
