// SPDX-License-Identifier: Apache-2.0
/*
 * traces.c - channels above each other on paper.
 *
 * No colour for a channel: it is told by its place and its name. Red is what was out of limits,
 * brown what is not known.
 */
#include "traces.h"

#include "customer_words.h"
#include "report_words.h"

#include <math.h>
#include <string.h>

#define NAMES_WIDTH  78.0 /* the channel's name and role */
#define LEVELS_WIDTH 40.0 /* the labels of its axis */
#define PHASES       13.0 /* height of the phases' band */
#define MOMENT       11.0 /* of the line that says what the mark is */
#define AXIS         22.0 /* of the seconds */
#define LANE_LOWEST  26.0
#define LANE_HIGHEST 56.0
#define LANES_MOST   20  /* of one block */
#define HATCH        3.5 /* from line to line, and from dot to dot */

struct frame {
    struct sheet *sheet;
    const struct report *report;
    cairo_t *cairo;
    const struct traces_view *view;
    double names_x, x, width; /* of the names, of the axis of time */
};

static const struct sheet_style name_style = {7.5, true, SHEET_INK};
static const struct sheet_style small_style = {6.5, false, SHEET_FAINT};
static const struct sheet_style out_style = {7, true, SHEET_OUT};

static double x_of(const struct frame *frame, double at_s) {
    const struct report *report = frame->report;
    double share = (at_s - report->shown_from_s) / (report->shown_to_s - report->shown_from_s);
    return frame->x + frame->width * fmin(fmax(share, 0), 1);
}

/* 1, 2 or 5 times a power of ten, about `span / parts`. */
static double round_step(double span, double parts) {
    double step = span / parts;
    double power = pow(10, floor(log10(step)));
    double digit = step / power;
    return power * (digit <= 1.001 ? 1 : digit <= 2.001 ? 2 : digit <= 5.001 ? 5 : 10);
}

/* For labels of which at least two lie between low and high. */
static double label_step(double low, double high) {
    double step = round_step(high - low, 2);
    while (floor(high / step + 0.01) - ceil(low / step - 0.01) < 1)
        step = round_step(step, 2.5);
    return step;
}

static void fill_box(const struct frame *frame, double x, double y, double width, double height) {
    cairo_rectangle(frame->cairo, x, y, width, height);
    cairo_fill(frame->cairo);
}

static void line(const struct frame *frame, double x0, double y0, double x1, double y1) {
    cairo_move_to(frame->cairo, x0, y0);
    cairo_line_to(frame->cairo, x1, y1);
    cairo_stroke(frame->cairo);
}

/* Slanted lines over a colour: it says the same in black and white. */
static void hatch_box(const struct frame *frame, enum sheet_ink ink, double x, double y,
                      double width, double height) {
    cairo_t *cairo = frame->cairo;
    sheet_ink(frame->sheet, ink, 0.13);
    fill_box(frame, x, y, width, height);
    cairo_save(cairo);
    cairo_rectangle(cairo, x, y, width, height);
    cairo_clip(cairo);
    sheet_ink(frame->sheet, ink, 0.45);
    cairo_set_line_width(cairo, 0.4);
    long last = lround(floor((x + width) / HATCH)); /* on one grid in all boxes */
    for (long i = lround(ceil((x - height) / HATCH)); i <= last; i++) {
        double at = HATCH * (double)i;
        cairo_move_to(cairo, at, y + height);
        cairo_line_to(cairo, at + height, y);
    }
    cairo_stroke(cairo);
    cairo_restore(cairo);
}

/* Dots over a colour, for the same reason. */
static void dot_box(const struct frame *frame, enum sheet_ink ink, double x, double y, double width,
                    double height) {
    static const double dots[] = {0.8, HATCH - 0.8};
    sheet_ink(frame->sheet, ink, 0.13);
    fill_box(frame, x, y, width, height);
    cairo_save(frame->cairo);
    cairo_set_dash(frame->cairo, dots, 2, 0);
    cairo_set_line_width(frame->cairo, 0.8);
    sheet_ink(frame->sheet, ink, 0.8);
    for (unsigned i = 0; HATCH * (i + 0.5) < height; i++)
        line(frame, x, y + HATCH * (i + 0.5), x + width, y + HATCH * (i + 0.5));
    cairo_restore(frame->cairo);
}

/* ---- one channel ---- */

struct lane {
    size_t channel;
    double top, height;
    double low, high; /* values at the bottom and at the top */
};

static double y_of(const struct lane *lane, double value) {
    double share = (value - lane->low) / (lane->high - lane->low);
    return lane->top + lane->height * (1 - fmin(fmax(share, 0), 1));
}

/* Honest: zero is in it for volts, and a steady lead is drawn flat, not as magnified noise. */
static void choose_levels(const struct frame *frame, struct lane *lane) {
    const struct vehicle_channel *channel = &frame->report->vehicle->channels[lane->channel];
    const struct strip *strip = &frame->report->strips[lane->channel];
    bool near_zero = channel->role == ROLE_RETURN || channel->role == ROLE_GROUND;
    double least = near_zero ? 0.5 : strcmp(channel->unit, "A") == 0 ? 50 : 1;
    double low = fmin(strip->lowest, 0), high = fmax(strip->highest, least);
    double step = round_step(high - low, 2);
    lane->low = floor(low / (step / 4) + 0.02) * (step / 4);
    lane->high = ceil(high / (step / 4) - 0.02) * (step / 4);
}

static void draw_levels(const struct frame *frame, const struct lane *lane, const char *unit) {
    double step = label_step(lane->low, lane->high);
    cairo_set_line_width(frame->cairo, 0.5);
    for (double i = ceil(lane->low / step - 0.01); i * step <= lane->high + step * 0.01; i++) {
        char text[48];
        double y = y_of(lane, i * step);
        snprintf(text, sizeof text, "%.4g %s", i == 0 ? 0.0 : i * step, unit);
        struct sheet_cell label = {frame->x - LEVELS_WIDTH, LEVELS_WIDTH - 5, &small_style, text,
                                   true};
        double y_text = fmin(fmax(y - 4, lane->top - 3), lane->top + lane->height - 6);
        (void)sheet_put(frame->sheet, &label, y_text);
        sheet_ink(frame->sheet, SHEET_FAINT, 1);
        line(frame, frame->x - 3, y, frame->x, y);
    }
    sheet_ink(frame->sheet, SHEET_FAINT, 0.6);
    line(frame, frame->x, lane->top, frame->x, lane->top + lane->height);
}

/* As small as it must be to have room beside its lane. */
static void draw_name(const struct frame *frame, const struct lane *lane,
                      const struct vehicle_channel *channel) {
    struct sheet_style style = name_style;
    struct sheet_cell name = {frame->names_x, NAMES_WIDTH, &style, channel->name, false};
    struct sheet_cell role = {frame->names_x, NAMES_WIDTH, &small_style, role_name(channel->role),
                              false};
    double of_role = strcmp(channel->name, role.text) ? sheet_measure(frame->sheet, &role) : 0;
    while (style.size > 3 && sheet_measure(frame->sheet, &name) + of_role > lane->height + 4)
        style.size -= 0.5;
    double y = lane->top - 1 + sheet_put(frame->sheet, &name, lane->top - 1);
    if (of_role > 0)
        (void)sheet_put(frame->sheet, &role, y);
}

/* What is allowed while the starter turns. */
static void draw_limits(const struct frame *frame, const struct lane *lane, const char *unit) {
    const struct analysis *analysis = frame->report->analysis;
    static const double dashes[] = {3, 2};
    cairo_save(frame->cairo);
    cairo_set_dash(frame->cairo, dashes, 2, 0);
    cairo_set_line_width(frame->cairo, 0.6);
    sheet_ink(frame->sheet, SHEET_IN_LIMITS, 0.8);
    for (size_t i = 0; i < analysis->check_count; i++) {
        const struct analysis_check *check = &analysis->checks[i];
        if (check->channel != lane->channel || check->attempt != analysis->verdict_attempt ||
            check->phase != PHASE_CRANKING || strcmp(check->unit, unit) != 0 ||
            strstr(check->name, "average") || strstr(check->name, "surge"))
            continue;
        const double limits[] = {check->limit_low, check->limit_high};
        for (size_t side = 0; side < 2; side++)
            if (limits[side] > lane->low && limits[side] < lane->high) /* false for NAN */
                line(frame, frame->x, y_of(lane, limits[side]), frame->x + frame->width,
                     y_of(lane, limits[side]));
    }
    cairo_restore(frame->cairo);
}

static void draw_findings(const struct frame *frame, const struct lane *lane) {
    const struct analysis *analysis = frame->report->analysis;
    for (size_t i = 0; i < analysis->finding_count; i++) {
        const struct analysis_finding *finding = &analysis->findings[i];
        double to_s = isnan(finding->to_s) ? frame->report->shown_to_s : finding->to_s;
        if (finding->channel != lane->channel || finding->from_s >= frame->report->shown_to_s ||
            to_s <= frame->report->shown_from_s)
            continue;
        double x = x_of(frame, finding->from_s);
        hatch_box(frame, SHEET_OUT, x, lane->top, fmax(x_of(frame, to_s) - x, 1), lane->height);
    }
}

static bool is_lost(const struct frame *frame, size_t stream, double from_s, double to_s) {
    const struct record *record = frame->report->record;
    const struct record_loss *losses;
    size_t count = record->losses(record->context, &losses);
    for (size_t i = 0; i < count; i++)
        if (losses[i].stream == stream && losses[i].from_s < to_s && losses[i].to_s >= from_s)
            return true;
    return false;
}

static void draw_losses(const struct frame *frame, const struct lane *lane, size_t stream) {
    const struct record *record = frame->report->record;
    const struct record_loss *losses;
    size_t count = record->losses(record->context, &losses);
    for (size_t i = 0; i < count; i++) {
        if (losses[i].stream != stream || losses[i].from_s > frame->report->shown_to_s ||
            losses[i].to_s < frame->report->shown_from_s)
            continue;
        double x = x_of(frame, losses[i].from_s);
        double width = fmax(x_of(frame, losses[i].to_s) - x, 1);
        dot_box(frame, SHEET_UNKNOWN, x, lane->top, width, lane->height);
        const struct sheet_style style = {6, false, SHEET_UNKNOWN};
        const struct sheet_cell word = {x + 1, width, &style, "missing", false};
        if (width > 32)
            (void)sheet_put(frame->sheet, &word, lane->top + lane->height / 2 - 4);
    }
}

/* A line through points; what bends it by nothing is left out, and a file is smaller for it. */
struct pen {
    cairo_t *cairo;
    double x, y; /* where it is */
    bool down;   /* drawing */
    bool level;  /* `x` may move on along `y` before it has to be drawn */
};

/* On a grid of an eighth of a point: finer than any printer's. */
static double on_grid(double value) {
    return round(value * 8) / 8;
}

static void pen_settle(struct pen *pen) {
    if (pen->level)
        cairo_line_to(pen->cairo, pen->x, pen->y);
    pen->level = false;
}

static void pen_begin(struct pen *pen, double x, double y) {
    pen_settle(pen);
    pen->x = on_grid(x);
    pen->y = on_grid(y);
    pen->down = true;
    cairo_move_to(pen->cairo, pen->x, pen->y);
}

static void pen_to(struct pen *pen, double x, double y) {
    x = on_grid(x);
    y = on_grid(y);
    bool level = fabs(y - pen->y) < 0.01;
    if (!level) {
        pen_settle(pen);
        cairo_line_to(pen->cairo, x, y);
    }
    pen->x = x;
    pen->y = y;
    pen->level = level;
}

/* A band from lowest to highest, broken where scans are missing and nowhere else. */
static void draw_trace(const struct frame *frame, const struct lane *lane, size_t stream) {
    const struct report *report = frame->report;
    const struct strip *strip = &report->strips[lane->channel];
    double column_s = (report->shown_to_s - report->shown_from_s) / (double)frame->view->columns;
    double step = frame->width / (double)frame->view->columns;
    double last_s = (double)-INFINITY;
    struct pen pen = {.cairo = frame->cairo};
    sheet_ink(frame->sheet, SHEET_INK, 1);
    cairo_set_line_width(frame->cairo, 0.6);
    cairo_set_line_join(frame->cairo, CAIRO_LINE_JOIN_BEVEL);
    for (size_t i = 0; i < frame->view->columns; i++) {
        if (isnan(strip->low[i]))
            continue;
        double at_s = report->shown_from_s + ((double)i + 0.5) * column_s;
        double x = frame->x + ((double)i + 0.5) * step;
        double low = y_of(lane, strip->low[i]), high = y_of(lane, strip->high[i]);
        if (!pen.down || is_lost(frame, stream, last_s, at_s))
            pen_begin(&pen, x - step / 2, low);
        bool from_below = fabs(pen.y - low) < fabs(pen.y - high); /* the nearer end first */
        pen_to(&pen, x, from_below ? low : high);
        pen_to(&pen, x, from_below ? high : low);
        last_s = at_s;
    }
    pen_settle(&pen);
    cairo_stroke(frame->cairo);
}

static void draw_lane(const struct frame *frame, struct lane *lane) {
    const struct vehicle_channel *channel = &frame->report->vehicle->channels[lane->channel];
    draw_name(frame, lane, channel);
    if (isnan(frame->report->strips[lane->channel].lowest)) {
        const struct sheet_style style = {7, false, SHEET_UNKNOWN};
        const struct sheet_cell none = {frame->x + 4, frame->width, &style,
                                        "no samples in this stretch", false};
        (void)sheet_put(frame->sheet, &none, lane->top + lane->height / 2 - 5);
        return;
    }
    choose_levels(frame, lane);
    draw_losses(frame, lane, channel->stream);
    draw_findings(frame, lane);
    draw_levels(frame, lane, channel->unit);
    draw_limits(frame, lane, channel->unit);
    draw_trace(frame, lane, channel->stream);
}

/* ---- around them ---- */

/* Bands behind all lanes, with their names above. */
static void draw_phases(const struct frame *frame, double top, double bottom) {
    static const char *const names[] = {
        [PHASE_UNKNOWN] = "not known", [PHASE_KEY_OFF] = "key off", [PHASE_KEY_ON] = "key on",
        [PHASE_CRANKING] = "cranking", [PHASE_RUNNING] = "running",
    };
    const struct report *report = frame->report;
    for (size_t i = 0; i < report->analysis->phase_count; i++) {
        const struct analysis_phase *phase = &report->analysis->phases[i];
        if (phase->to_s <= report->shown_from_s || phase->from_s >= report->shown_to_s)
            continue;
        double x = x_of(frame, phase->from_s), to = x_of(frame, phase->to_s);
        if (phase->phase == PHASE_CRANKING) {
            sheet_ink(frame->sheet, SHEET_FAINT, 0.09);
            fill_box(frame, x, top, to - x, bottom - top);
        }
        sheet_ink(frame->sheet, SHEET_FAINT, 0.16);
        fill_box(frame, x, top, to - x - 0.5, PHASES - 3);
        struct sheet_cell name = {x + 2, to - x - 2, &small_style, names[phase->phase], false};
        if (name.width > 8 && sheet_measure(frame->sheet, &name) < 12)
            (void)sheet_put(frame->sheet, &name, top + 1);
    }
}

static void draw_axis(const struct frame *frame, double y) {
    const struct report *report = frame->report;
    double step = round_step(report->shown_to_s - report->shown_from_s, 8);
    int digits = (int)fmax(0, -floor(log10(step) + 0.01));
    sheet_ink(frame->sheet, SHEET_FAINT, 1);
    cairo_set_line_width(frame->cairo, 0.5);
    line(frame, frame->x, y, frame->x + frame->width, y);
    for (double i = ceil((report->shown_from_s - report->zero_s) / step);
         report->zero_s + i * step <= report->shown_to_s; i++) {
        char text[32];
        double x = x_of(frame, report->zero_s + i * step);
        snprintf(text, sizeof text, "%.*f", digits, i == 0 ? 0.0 : i * step);
        sheet_ink(frame->sheet, SHEET_FAINT, 1);
        line(frame, x, y, x, y + 3);
        struct sheet_cell label = {x - 1.8 * (double)strlen(text), 40, &small_style, text, false};
        (void)sheet_put(frame->sheet, &label, y + 3);
    }
    char words[64];
    snprintf(words, sizeof words, "seconds; 0: %s", words_zero(report));
    const struct sheet_cell title = {frame->x, frame->width, &small_style, words, true};
    (void)sheet_put(frame->sheet, &title, y + 11);
}

/* The verdict's moment through all lanes, named above them and below the phases. */
static void draw_moment(const struct frame *frame, double top, double bottom) {
    const struct report *report = frame->report;
    const struct analysis_verdict *verdict = &report->analysis->verdict;
    if (verdict->fault == FAULT_NOTHING_FOUND || !isfinite(verdict->at_s) ||
        verdict->at_s < report->shown_from_s || verdict->at_s > report->shown_to_s)
        return;
    double x = x_of(frame, verdict->at_s);
    char text[256];
    const struct analysis_attempt *attempt = report_attempt(report);
    const char *mark = customer_mark(verdict->fault);
    if (verdict->standing || !attempt)
        snprintf(text, sizeof text, "%s", mark);
    else
        snprintf(text, sizeof text, "%.2f s: %s", verdict->at_s - report->zero_s, mark);
    bool left = x > frame->x + frame->width * 0.6;
    struct sheet_cell label = {left ? frame->x : x + 3,
                               left ? x - 3 - frame->x : frame->x + frame->width - x - 3,
                               &out_style, text, left};
    (void)sheet_put(frame->sheet, &label, top);
    sheet_ink(frame->sheet, SHEET_OUT, 1);
    cairo_set_line_width(frame->cairo, 0.9);
    line(frame, x, top + 1, x, bottom);
}

/* The channels in `lanes` with all that belongs to them, kept together on a page. */
static void draw_block(struct frame *frame, const size_t *channels, size_t count) {
    double height = fmin(fmax(frame->view->height / (double)count, LANE_LOWEST), LANE_HIGHEST);
    double left;
    double top = sheet_take(frame->sheet, PHASES + MOMENT + (double)count * height + AXIS, &left);
    frame->cairo = sheet_cairo(frame->sheet);
    frame->names_x = left;
    frame->x = left + NAMES_WIDTH + LEVELS_WIDTH;
    frame->width = sheet_width(frame->sheet) - NAMES_WIDTH - LEVELS_WIDTH;
    double lanes_top = top + PHASES + MOMENT;
    double bottom = lanes_top + (double)count * height;
    cairo_save(frame->cairo);
    draw_phases(frame, top, bottom);
    for (size_t i = 0; i < count; i++) {
        struct lane lane = {.channel = channels[i],
                            .top = lanes_top + (double)i * height + 3,
                            .height = height - 7};
        draw_lane(frame, &lane);
    }
    draw_axis(frame, bottom);
    draw_moment(frame, top + PHASES - 2, bottom);
    cairo_restore(frame->cairo);
}

void traces_draw(struct sheet *sheet, const struct report *report, const struct traces_view *view) {
    struct frame frame = {.sheet = sheet, .report = report, .view = view};
    size_t channels[LANES_MOST];
    size_t count = 0;
    for (size_t i = 0; i < report->vehicle->channel_count; i++) {
        if (view->wanted && !view->wanted[i])
            continue;
        channels[count++] = i;
        if (count == LANES_MOST) {
            draw_block(&frame, channels, count);
            count = 0;
        }
    }
    if (count)
        draw_block(&frame, channels, count);
}
