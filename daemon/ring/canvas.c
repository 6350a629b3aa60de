// SPDX-License-Identifier: Apache-2.0
/*
 * canvas.c - rows and samples into columns; stretches of scans, and what is between them.
 */
#include "canvas.h"

#include "record.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Of one input in one column; without samples weight is 0. */
struct cell {
    int32_t low, high;
    double sum, weight; /* of the scans */
};
static const struct cell empty = {INT32_MAX, INT32_MIN, 0, 0};

struct canvas {
    struct overview_window window;
    double column_ns;
    struct cell *kept, *drafted;
    size_t touched_from, touched_to; /* columns of `drafted` that are not empty */

    struct stretch *seen;
    size_t seen_count, seen_room, seen_kept;
    bool seen_all;
};

int canvas_new(const struct overview_window *window, struct canvas **canvas) {
    struct canvas *made = calloc(1, sizeof *made);
    size_t cells = window->columns * window->inputs;
    if (!made)
        return -ENOMEM;
    made->window = *window;
    made->column_ns = ((double)window->to_ns - (double)window->from_ns) / (double)window->columns;
    made->kept = reallocarray(NULL, cells, sizeof *made->kept);
    made->drafted = reallocarray(NULL, cells, sizeof *made->drafted);
    made->touched_from = window->columns;
    made->seen_all = true;
    if (!made->kept || !made->drafted) {
        canvas_free(made);
        return -ENOMEM;
    }
    for (size_t i = 0; i < cells; i++)
        made->kept[i] = made->drafted[i] = empty;
    *canvas = made;
    return 0;
}

void canvas_free(struct canvas *canvas) {
    if (!canvas)
        return;
    free(canvas->seen);
    free(canvas->drafted);
    free(canvas->kept);
    free(canvas);
}

double canvas_column_ns(const struct canvas *canvas) {
    return canvas->column_ns;
}

/* ---- columns ---- */

/* The column at a time, 0 .. columns: before the window 0, behind it `columns`. */
static size_t column_at(const struct canvas *canvas, double ns) {
    double column = (ns - (double)canvas->window.from_ns) / canvas->column_ns;
    if (!(column > 0))
        return 0;
    return column < (double)canvas->window.columns ? (size_t)column : canvas->window.columns;
}

static double column_ns_at(const struct canvas *canvas, size_t column) {
    return (double)canvas->window.from_ns + (double)column * canvas->column_ns;
}

static void touch(struct canvas *canvas, size_t from, size_t to) {
    canvas->touched_from = from < canvas->touched_from ? from : canvas->touched_from;
    canvas->touched_to = to > canvas->touched_to ? to : canvas->touched_to;
}

static void add(struct cell *cell, const struct cell *more) {
    cell->low = more->low < cell->low ? more->low : cell->low;
    cell->high = more->high > cell->high ? more->high : cell->high;
    cell->sum += more->sum;
    cell->weight += more->weight;
}

/* A row of `scans` scans, into all columns that [from_ns, to_ns) touches. */
static void add_row(struct canvas *canvas, const struct summary_value *value, size_t inputs,
                    uint64_t scans, double from_ns, double to_ns) {
    const struct overview_window *window = &canvas->window;
    if (to_ns <= (double)window->from_ns || from_ns >= (double)window->to_ns || from_ns >= to_ns)
        return;
    size_t begin = column_at(canvas, from_ns);
    size_t last = column_at(canvas, to_ns);
    if (last == window->columns || column_ns_at(canvas, last) >= to_ns)
        last--;
    touch(canvas, begin, last + 1);
    inputs = inputs < window->inputs ? inputs : window->inputs;
    for (size_t column = begin; column <= last; column++) {
        double within = fmin(to_ns, column_ns_at(canvas, column + 1)) -
                        fmax(from_ns, column_ns_at(canvas, column));
        double share = fmax(within, 0) / (to_ns - from_ns);
        struct cell *cell = &canvas->drafted[column * window->inputs];
        for (size_t input = 0; input < inputs; input++) {
            const struct cell row = {value[input].low, value[input].high,
                                     share * (double)value[input].sum, share * (double)scans};
            add(&cell[input], &row);
        }
    }
}

void canvas_rows(struct canvas *canvas, const struct stretch *stretch, uint32_t span,
                 const struct summary_rows *rows, uint64_t from) {
    uint64_t scans = stretch->end - stretch->first;
    double scan_ns = (double)(stretch->to_ns - stretch->from_ns) / (double)scans;
    uint64_t begin = stretch->first;
    for (size_t row = 0; row < rows->rows; row++) {
        uint64_t end = summary_row_scan(stretch->first, scans, span, row + 1);
        if (end > from)
            add_row(canvas, &rows->value[row * rows->inputs], rows->inputs, end - begin,
                    (double)stretch->from_ns + (double)(begin - stretch->first) * scan_ns,
                    (double)stretch->from_ns + (double)(end - stretch->first) * scan_ns);
        begin = end;
    }
}

/* The first scan of the stretch, counted from its beginning, that is not before the window. */
static uint64_t first_within(const struct canvas *canvas, const struct stretch *stretch,
                             double scan_ns) {
    double before_ns = (double)canvas->window.from_ns - (double)stretch->from_ns;
    double first = before_ns > 0 && scan_ns > 0 ? ceil(before_ns / scan_ns) : 0;
    uint64_t scans = stretch->end - stretch->first;
    return first < (double)scans ? (uint64_t)first : scans;
}

void canvas_samples(struct canvas *canvas, const struct stretch *stretch, size_t input,
                    const int32_t *samples, uint64_t from) {
    const struct overview_window *window = &canvas->window;
    uint64_t scans = stretch->end - stretch->first;
    double scan_ns = (double)(stretch->to_ns - stretch->from_ns) / (double)scans;
    uint64_t scan = first_within(canvas, stretch, scan_ns);
    if (from > stretch->first + scan)
        scan = from - stretch->first;
    while (scan < scans) {
        size_t column = column_at(canvas, (double)stretch->from_ns + (double)scan * scan_ns);
        if (column == window->columns)
            break;
        double end_ns = column_ns_at(canvas, column + 1) - (double)stretch->from_ns;
        struct cell *cell = &canvas->drafted[column * window->inputs + input];
        touch(canvas, column, column + 1);
        uint64_t begin = scan;
        int32_t low = samples[scan];
        int32_t high = low;
        int64_t sum = 0;
        do {
            low = samples[scan] < low ? samples[scan] : low;
            high = samples[scan] > high ? samples[scan] : high;
            sum += samples[scan];
        } while (++scan < scans && (double)scan * scan_ns < end_ns);
        const struct cell more = {low, high, (double)sum, (double)(scan - begin)};
        add(cell, &more);
    }
}

void canvas_columns(const struct canvas *canvas, struct overview_column *drawn) {
    size_t cells = canvas->window.columns * canvas->window.inputs;
    for (size_t i = 0; i < cells; i++) {
        const struct cell *cell = &canvas->kept[i];
        double mean = cell->weight > 0 ? cell->sum / cell->weight : (double)NAN;
        drawn[i] = (struct overview_column){cell->low, cell->high, mean};
    }
}

/* ---- what was seen ---- */

void canvas_seen(struct canvas *canvas, const struct stretch *stretch) {
    if (canvas->seen_count > canvas->seen_kept) {
        struct stretch *last = &canvas->seen[canvas->seen_count - 1];
        if (last->epoch == stretch->epoch && last->end == stretch->first) {
            last->end = stretch->end;
            last->to_ns = stretch->to_ns;
            return;
        }
    }
    if (canvas->seen_count == canvas->seen_room) {
        size_t room = canvas->seen_room ? 2 * canvas->seen_room : 64;
        struct stretch *grown = reallocarray(canvas->seen, room, sizeof *grown);
        if (!grown) {
            canvas->seen_all = false;
            return;
        }
        canvas->seen = grown;
        canvas->seen_room = room;
    }
    canvas->seen[canvas->seen_count++] = *stretch;
}

uint64_t canvas_reached(const struct canvas *canvas, uint32_t epoch) {
    uint64_t end = 0;
    for (size_t i = 0; i < canvas->seen_count; i++)
        if (canvas->seen[i].epoch == epoch && canvas->seen[i].end > end)
            end = canvas->seen[i].end;
    return end;
}

static void clear_drafted(struct canvas *canvas) {
    size_t inputs = canvas->window.inputs;
    for (size_t i = canvas->touched_from * inputs; i < canvas->touched_to * inputs; i++)
        canvas->drafted[i] = empty;
    canvas->touched_from = canvas->window.columns;
    canvas->touched_to = 0;
}

void canvas_keep(struct canvas *canvas) {
    size_t inputs = canvas->window.inputs;
    for (size_t i = canvas->touched_from * inputs; i < canvas->touched_to * inputs; i++)
        add(&canvas->kept[i], &canvas->drafted[i]);
    clear_drafted(canvas);
    canvas->seen_kept = canvas->seen_count;
}

void canvas_forget(struct canvas *canvas) {
    clear_drafted(canvas);
    canvas->seen_count = canvas->seen_kept;
}

static int by_place(const void *left, const void *right) {
    const struct stretch *a = left;
    const struct stretch *b = right;
    if (a->epoch != b->epoch)
        return a->epoch < b->epoch ? -1 : 1;
    return (a->first > b->first) - (a->first < b->first);
}

int canvas_losses(struct canvas *canvas, struct overview_loss **losses, size_t *count) {
    size_t room = canvas->seen_all ? canvas->seen_count : 0;
    struct overview_loss *made = calloc(room ? room : 1, sizeof *made);
    if (!made)
        return -ENOMEM;
    if (room)
        qsort(canvas->seen, room, sizeof *canvas->seen, by_place);
    size_t found = 0;
    struct stretch before = {0};
    for (size_t i = 0; i < room; i++) {
        const struct stretch *stretch = &canvas->seen[i];
        bool other = i && stretch->epoch != before.epoch;
        if (other || (i && stretch->first > before.end))
            made[found++] =
                (struct overview_loss){before.to_ns, stretch->from_ns,
                                       other ? RECORD_LOSS_UNKNOWN : stretch->first - before.end};
        if (!i || other || stretch->end > before.end)
            before = *stretch;
    }
    *losses = made;
    *count = found;
    return 0;
}
