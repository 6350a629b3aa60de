// SPDX-License-Identifier: Apache-2.0
/*
 * sine_fit.c - with a frequency given the sine is linear in three parameters; the fourth is found
 * by Gauss-Newton steps from the best of some frequencies around the guess.
 *
 * Time is counted from the middle of the stretch in half stretches (-1..1): there the step in
 * frequency hangs least on the other parameters, and all columns are of the same size.
 */
#include "sine_fit.h"

#include <errno.h>
#include <math.h>
#include <stdbool.h>

#define PARAMETERS  4
#define LEAST       8
#define ROUNDS_MOST 50
#define SEARCH      8 /* quarters of a period over the stretch, either way */
#define FLAT        1e-9
#define STEP_ENOUGH 1e-9 /* radians over half the stretch */

struct stretch {
    const double *values;
    size_t count;
};

/* value = cosine * cos(angle * x) + sine * sin(angle * x) + offset, x = -1..1. */
struct sine {
    double angle; /* radians over half the stretch */
    double cosine, sine, offset;
};

static double place(const struct stretch *stretch, size_t i) {
    return 2.0 * (double)i / (double)(stretch->count - 1) - 1.0;
}

/* ---- least squares ---- */

struct normal {
    double matrix[PARAMETERS][PARAMETERS];
    double right[PARAMETERS];
};

static void add_row(struct normal *normal, const double *row, double value, size_t size) {
    for (size_t i = 0; i < size; i++) {
        normal->right[i] += row[i] * value;
        for (size_t k = 0; k < size; k++)
            normal->matrix[i][k] += row[i] * row[k];
    }
}

/* Elimination with pivots: the answer is left in `right`. -EDOM: the columns hang together. */
static int solve(struct normal *normal, size_t size) {
    for (size_t i = 0; i < size; i++) {
        size_t pivot = i;
        for (size_t k = i + 1; k < size; k++)
            if (fabs(normal->matrix[k][i]) > fabs(normal->matrix[pivot][i]))
                pivot = k;
        if (!(fabs(normal->matrix[pivot][i]) > 1e-12))
            return -EDOM;
        for (size_t k = 0; k < size; k++) {
            double swapped = normal->matrix[i][k];
            normal->matrix[i][k] = normal->matrix[pivot][k];
            normal->matrix[pivot][k] = swapped;
        }
        double swapped = normal->right[i];
        normal->right[i] = normal->right[pivot];
        normal->right[pivot] = swapped;
        for (size_t k = 0; k < size; k++) {
            if (k == i)
                continue;
            double share = normal->matrix[k][i] / normal->matrix[i][i];
            for (size_t column = i; column < size; column++)
                normal->matrix[k][column] -= share * normal->matrix[i][column];
            normal->right[k] -= share * normal->right[i];
        }
    }
    for (size_t i = 0; i < size; i++)
        normal->right[i] /= normal->matrix[i][i];
    return 0;
}

static double value_at(const struct sine *sine, double x) {
    return sine->cosine * cos(sine->angle * x) + sine->sine * sin(sine->angle * x) + sine->offset;
}

static double residual_of(const struct stretch *stretch, const struct sine *sine) {
    double squares = 0.0;
    for (size_t i = 0; i < stretch->count; i++) {
        double left = stretch->values[i] - value_at(sine, place(stretch, i));
        squares += left * left;
    }
    return sqrt(squares / (double)stretch->count);
}

/* The best sine of that angle. */
static int fit_three(const struct stretch *stretch, double angle, struct sine *sine) {
    struct normal normal = {0};
    for (size_t i = 0; i < stretch->count; i++) {
        double x = angle * place(stretch, i);
        const double row[] = {cos(x), sin(x), 1.0};
        add_row(&normal, row, stretch->values[i], 3);
    }
    if (solve(&normal, 3) < 0)
        return -EDOM;
    *sine = (struct sine){angle, normal.right[0], normal.right[1], normal.right[2]};
    return 0;
}

/* One step with the angle free, too; how far it moved. NAN: it cannot. */
static double step_four(const struct stretch *stretch, struct sine *sine) {
    struct normal normal = {0};
    double size = hypot(sine->cosine, sine->sine);
    for (size_t i = 0; i < stretch->count; i++) {
        double x = place(stretch, i);
        double cosine = cos(sine->angle * x), sined = sin(sine->angle * x);
        const double row[] = {cosine, sined, 1.0,
                              x * (sine->sine * cosine - sine->cosine * sined) / size};
        add_row(&normal, row, stretch->values[i], PARAMETERS);
    }
    if (!(size > 0.0) || solve(&normal, PARAMETERS) < 0)
        return (double)NAN;
    double step = normal.right[3] / size;
    *sine = (struct sine){sine->angle + step, normal.right[0], normal.right[1], normal.right[2]};
    return fabs(step);
}

/* ---- the whole ---- */

static int search(const struct stretch *stretch, double angle, struct sine *best) {
    double least = (double)INFINITY;
    for (int quarter = -SEARCH; quarter <= SEARCH; quarter++) {
        struct sine sine;
        double tried = angle + quarter * M_PI / 4.0; /* half a stretch: an eighth of a turn */
        if (tried <= 0.0 || fit_three(stretch, tried, &sine) < 0)
            continue;
        double residual = residual_of(stretch, &sine);
        if (residual < least) {
            least = residual;
            *best = sine;
        }
    }
    return isfinite(least) ? 0 : -EDOM;
}

int sine_fit(const double *values, size_t count, double period_s, double guess_hz,
             struct sine_fit *fit) {
    const struct stretch stretch = {values, count};
    if (count < LEAST || !(guess_hz > 0.0) || !(guess_hz * period_s < 0.5))
        return -EINVAL;
    double half_s = (double)(count - 1) * period_s / 2.0;
    struct sine sine;
    if (search(&stretch, 2.0 * M_PI * guess_hz * half_s, &sine) < 0)
        return -EDOM;
    double moved = (double)INFINITY;
    unsigned rounds = 0;
    while (moved > STEP_ENOUGH && rounds < ROUNDS_MOST) {
        moved = step_four(&stretch, &sine);
        rounds++;
    }
    double amplitude = hypot(sine.cosine, sine.sine);
    if (!(amplitude > FLAT * fabs(sine.offset)))
        return -EDOM; /* what is left of a level by rounding */
    double frequency_hz = sine.angle / (2.0 * M_PI * half_s);
    if (!(moved <= STEP_ENOUGH) || !(frequency_hz > 0.0) || !(frequency_hz * period_s < 0.5))
        return -EDOM;
    /* From the middle of the stretch back to its first sample; a cosine is a sine a quarter on. */
    double phase = atan2(sine.cosine, sine.sine) - sine.angle;
    *fit = (struct sine_fit){.frequency_hz = frequency_hz,
                             .amplitude = amplitude,
                             .phase = remainder(phase, 2.0 * M_PI),
                             .offset = sine.offset,
                             .residual = residual_of(&stretch, &sine),
                             .rounds = rounds};
    return 0;
}

int sine_guess(const double *values, size_t count, double period_s, double *frequency_hz) {
    double lowest = (double)INFINITY, highest = -(double)INFINITY;
    for (size_t i = 0; i < count; i++) {
        lowest = fmin(lowest, values[i]);
        highest = fmax(highest, values[i]);
    }
    double middle = (lowest + highest) / 2.0, band = (highest - lowest) / 8.0;
    size_t rises = 0, first = 0, last = 0;
    bool armed = false;
    for (size_t i = 0; i < count && band > 0.0; i++) {
        if (values[i] < middle - band) {
            armed = true;
        } else if (armed && values[i] > middle + band) {
            armed = false;
            first = rises++ ? first : i;
            last = i;
        }
    }
    if (rises < 3)
        return -EDOM;
    *frequency_hz = (double)(rises - 1) / ((double)(last - first) * period_s);
    return 0;
}

double sine_sinad_db(const struct sine_fit *fit) {
    return 20.0 * log10(fit->amplitude / M_SQRT2 / fit->residual);
}

double sine_effective_bits(const struct sine_fit *fit, double full_scale) {
    return log2(full_scale / (fit->residual * sqrt(12.0)));
}
