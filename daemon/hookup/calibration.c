// SPDX-License-Identifier: Apache-2.0
/*
 * calibration.c - known voltages against what the nominal scale makes of them: a straight line, or
 * a refusal that says what is wrong on the bench.
 */
#include "calibration.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* All common practice, no source; shares of what the input spans unless said otherwise. */
#define WRONG_SCALE  0.30  /* of the known value: resistors do not do that */
#define NEAR_ZERO    0.10  /* below it a value says nothing of the gain */
#define CLOSE        0.10  /* two points nearer than this make no line */
#define NOISY        0.005 /* rms */
#define MOVING       0.002 /* between the halves of the second */
#define SPAN_UNKNOWN 10.0  /* taken where no rails are known, channel's unit */
#define SAME_SCALE   1e-6

static const char *const kind_names[] = {"offset", "gain", "line"};

const char *calibration_kind_name(enum calibration_kind kind) {
    return kind_names[kind];
}

int calibration_kind_from_name(const char *name, enum calibration_kind *kind) {
    for (size_t i = 0; i < sizeof kind_names / sizeof kind_names[0]; i++)
        if (strcmp(name, kind_names[i]) == 0) {
            *kind = (enum calibration_kind)i;
            return 0;
        }
    return -EINVAL;
}

__attribute__((format(printf, 3, 4))) static int refuse(char *why, size_t size, const char *format,
                                                        ...) {
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(why, size, format, arguments);
    va_end(arguments);
    return -EINVAL;
}

static bool has_rails(const struct calibration_input *input) {
    return input->rail_low <= input->rail_high;
}

/* What the input can show from rail to rail, channel's unit. */
static double span_of(const struct calibration_input *input) {
    if (!has_rails(input))
        return SPAN_UNKNOWN;
    return fabs(scale_value(&input->nominal, input->rail_high) -
                scale_value(&input->nominal, input->rail_low));
}

/* ---- what cannot be taken ---- */

static int judge_reading(const struct calibration_input *input,
                         const struct calibration_reading *reading, const char *unit, char *why,
                         size_t size) {
    double per_count = fabs(scale_value(&input->nominal, reading->mean + 0.5) -
                            scale_value(&input->nominal, reading->mean - 0.5));
    double span = span_of(input);
    if (has_rails(input) &&
        (reading->lowest <= input->rail_low || reading->highest >= input->rail_high))
        return refuse(why, size,
                      "the input is at its end (%.4g %s) and cannot show more: hold the lead on a "
                      "voltage within its range",
                      scale_value(&input->nominal, reading->mean), unit);
    if (reading->rms * per_count > NOISY * span)
        return refuse(why, size,
                      "%.3g %s rms of noise around %.4g %s: is the lead on it, is the board's "
                      "ground on its other pole, is a charger or a mains cable near?",
                      reading->rms * per_count, unit, scale_value(&input->nominal, reading->mean),
                      unit);
    if (fabs(reading->drift) * per_count > MOVING * span)
        return refuse(why, size,
                      "it moved by %.3g %s while it was read: hold it still, and let the source "
                      "settle",
                      fabs(reading->drift) * per_count, unit);
    return 0;
}

static int judge_value(double known, double nominal, double span, const char *unit, char *why,
                       size_t size) {
    double off = fabs(nominal - known);
    if (fabs(known) < NEAR_ZERO * span && off > NEAR_ZERO * span)
        return refuse(why, size,
                      "reads %.4g %s where %.4g %s is said to be: is the lead on it, and is the "
                      "channel's `offset` right?",
                      nominal, unit, known, unit);
    if (fabs(known) >= NEAR_ZERO * span && off > WRONG_SCALE * fabs(known))
        return refuse(why, size,
                      "reads %.4g %s where %.4g %s is said to be, %.0f %% off: that is a wrong "
                      "scale, not a tolerance. Look at the channel's divider, volts-per-count or "
                      "points (%.3g times as much would do), and at the lead",
                      nominal, unit, known, unit, 100 * off / fabs(known), known / nominal);
    return 0;
}

static int judge_distance(const struct calibration *calibration, double known, double span,
                          char *why, size_t size) {
    if (calibration->points == CALIBRATION_POINTS)
        return refuse(why, size, "it has %d points already: forget it (--forget) and begin anew",
                      CALIBRATION_POINTS);
    for (size_t i = 0; i < calibration->points; i++) {
        double there = calibration->point[i].known;
        if (fabs(known - there) < CLOSE * span)
            return refuse(why, size,
                          "%.4g %s is too close to the point at %.4g %s: they must lie %.2g %s "
                          "apart. To take that point anew, forget it (--forget) and begin again",
                          known, calibration->unit, there, calibration->unit, CLOSE * span,
                          calibration->unit);
    }
    return 0;
}

/* ---- the line ---- */

static void solve_single(struct calibration *calibration, double span) {
    const struct calibration_point *point = &calibration->point[0];
    bool near_zero = fabs(point->known) < NEAR_ZERO * span;
    calibration->kind = near_zero ? CALIBRATION_OFFSET : CALIBRATION_GAIN;
    calibration->gain = near_zero ? 1.0 : point->known / point->nominal;
    calibration->offset = near_zero ? point->known - point->nominal : 0.0;
    calibration->residual = (double)NAN;
}

/* Least squares of known over nominal. */
static void solve_line(struct calibration *calibration) {
    double x = 0, y = 0, xx = 0, xy = 0, count = (double)calibration->points;
    for (size_t i = 0; i < calibration->points; i++) {
        x += calibration->point[i].nominal / count;
        y += calibration->point[i].known / count;
    }
    for (size_t i = 0; i < calibration->points; i++) {
        double from_x = calibration->point[i].nominal - x;
        xx += from_x * from_x;
        xy += from_x * (calibration->point[i].known - y);
    }
    calibration->kind = CALIBRATION_LINE;
    calibration->gain = xy / xx;
    calibration->offset = y - calibration->gain * x;
    calibration->residual = calibration->points > 2 ? 0.0 : (double)NAN;
    for (size_t i = 0; calibration->points > 2 && i < calibration->points; i++) {
        const struct calibration_point *point = &calibration->point[i];
        double off = fabs(calibration->gain * point->nominal + calibration->offset - point->known);
        calibration->residual = fmax(calibration->residual, off);
    }
}

int calibration_add(struct calibration *calibration, const struct calibration_input *input,
                    const struct calibration_reading *reading, double known, int64_t wall_s,
                    char *why, size_t why_size) {
    double span = span_of(input);
    double nominal = scale_value(&input->nominal, reading->mean);
    int result = judge_reading(input, reading, calibration->unit, why, why_size);
    if (result == 0)
        result = judge_value(known, nominal, span, calibration->unit, why, why_size);
    if (result == 0)
        result = judge_distance(calibration, known, span, why, why_size);
    if (result < 0)
        return result;
    struct calibration added = *calibration;
    added.point[added.points++] = (struct calibration_point){.counts = reading->mean,
                                                             .nominal = nominal,
                                                             .known = known,
                                                             .noise = reading->rms,
                                                             .wall_s = wall_s};
    if (added.points == 1)
        solve_single(&added, span);
    else
        solve_line(&added);
    if (!calibration_is_sane(&added))
        return refuse(why, why_size,
                      "with the points before it the gain would be %.3g: one of them was not what "
                      "it was said to be. Forget it (--forget) and begin anew",
                      added.gain);
    *calibration = added;
    return 0;
}

/* ---- using it ---- */

bool calibration_is_sane(const struct calibration *calibration) {
    return calibration->points >= 1 && calibration->points <= CALIBRATION_POINTS &&
           fabs(calibration->gain - 1.0) <= WRONG_SCALE / (1.0 - WRONG_SCALE) + SAME_SCALE &&
           isfinite(calibration->offset);
}

bool calibration_fits(const struct calibration *calibration, const struct scale *nominal,
                      const char *unit) {
    for (size_t i = 0; i < calibration->points; i++) {
        const struct calibration_point *point = &calibration->point[i];
        double now = scale_value(nominal, point->counts);
        double least = fabs(scale_value(nominal, point->counts + 1.0) - now);
        if (fabs(now - point->nominal) > SAME_SCALE * fabs(now) + 1e-3 * least)
            return false;
    }
    return strcmp(calibration->unit, unit) == 0;
}

struct scale calibration_applied(const struct calibration *calibration,
                                 const struct scale *nominal) {
    struct scale applied = *nominal;
    for (size_t i = 0; i < applied.points; i++)
        applied.values[i] = calibration->gain * nominal->values[i] + calibration->offset;
    return applied;
}

void calibration_words(const struct calibration *calibration, char *text, size_t size) {
    char gain[40] = "", offset[40] = "";
    bool volts = strcmp(calibration->unit, "V") == 0;
    if (calibration->kind != CALIBRATION_OFFSET)
        snprintf(gain, sizeof gain, "gain %+.2f %%", 100 * (calibration->gain - 1.0));
    if (calibration->kind != CALIBRATION_GAIN)
        snprintf(offset, sizeof offset, "%soffset %+.3g %s", gain[0] ? ", " : "",
                 volts ? calibration->offset * 1e3 : calibration->offset,
                 volts ? "mV" : calibration->unit);
    snprintf(text, size, "%s%s, %zu point%s", gain, offset, calibration->points,
             calibration->points == 1 ? "" : "s");
}
