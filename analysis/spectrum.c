// SPDX-License-Identifier: Apache-2.0
/*
 * spectrum.c - tapered periodogram at any frequency; a robust fit of the noise under it.
 */
#include "spectrum.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

#define PI          3.14159265358979323846
#define FEWEST_BINS 8
#define LINE_BINS   2.0    /* half the width of a line under the taper, in 1 / length */
#define LOG_MEDIAN  0.3665 /* -ln(ln 2): the median of exponential powers lies below their mean */
#define KNEE_STEPS  17
#define KNEE_LOWEST 0.5 /* Hz */
#define ABREAST     4
#define SHAPES      6   /* of a trend */
#define FREEDOM     3.0 /* half the degrees of freedom of the noise estimate */
#define SMALLEST    1e-300
#define TAPER_POWER 0.375 /* mean square of the Hann taper; its mean is 1/2 */

/* --- Stretch ---------------------------------------------------------------------------- */

/* What is no ripple: mean, slope and bend; the recoveries of a battery and of a motor's surge. */
static double trend(int shape, double part, double at_s) {
    static const double recovery_s[SHAPES - 3] = {0.04, 0.1, 0.25};
    switch (shape) {
    case 0:
        return 1.0;
    case 1:
        return part;
    case 2:
        return part * part;
    default:
        return exp(-at_s / recovery_s[shape - 3]);
    }
}

static double product(const double *left, const double *right, size_t count) {
    double sum = 0.0;
    for (size_t i = 0; i < count; i++)
        sum += left[i] * right[i];
    return sum;
}

static void take_away(double *values, const double *shape, double times, size_t count) {
    for (size_t i = 0; i < count; i++)
        values[i] -= times * shape[i];
}

/* Least squares by orthogonal shapes (Gram and Schmidt). */
static void remove_trend(double *values, size_t count, double step_s) {
    double shapes[SHAPES][SPECTRUM_LONGEST];
    for (int k = 0; k < SHAPES; k++) {
        for (size_t i = 0; i < count; i++)
            shapes[k][i] = trend(k, 2.0 * (double)i / (double)count - 1.0, (double)i * step_s);
        double before = product(shapes[k], shapes[k], count);
        for (int j = 0; j < k; j++)
            take_away(shapes[k], shapes[j], product(shapes[k], shapes[j], count), count);
        double square = product(shapes[k], shapes[k], count);
        double scale = square > 1e-9 * before ? 1.0 / sqrt(square) : 0.0; /* 0: told already */
        for (size_t i = 0; i < count; i++)
            shapes[k][i] *= scale;
        take_away(values, shapes[k], product(values, shapes[k], count), count);
    }
}

double spectrum_length_s(const struct spectrum *spectrum) {
    return (double)spectrum->count * spectrum->step_s;
}

/* Goertzel's recurrence for several frequencies at once: one alone waits for its own results. */
static void powers_abreast(const struct spectrum *spectrum, const double *hertz, double *powers) {
    double twice_cosine[ABREAST];
    double newest[ABREAST] = {0.0};
    double before[ABREAST] = {0.0};
    for (int k = 0; k < ABREAST; k++)
        twice_cosine[k] = 2.0 * cos(2.0 * PI * hertz[k] * spectrum->step_s);
    for (size_t i = 0; i < spectrum->count; i++) {
        for (int k = 0; k < ABREAST; k++) {
            double next = spectrum->values[i] + twice_cosine[k] * newest[k] - before[k];
            before[k] = newest[k];
            newest[k] = next;
        }
    }
    for (int k = 0; k < ABREAST; k++) {
        double square =
            newest[k] * newest[k] + before[k] * before[k] - twice_cosine[k] * newest[k] * before[k];
        /* of a silent line rounding may leave less than nothing */
        powers[k] = fmax(square, 0.0) / (TAPER_POWER * (double)spectrum->count);
    }
}

void spectrum_powers(const struct spectrum *spectrum, double first_hz, double step_hz,
                     double *powers, size_t count) {
    double hertz[ABREAST];
    double results[ABREAST];
    for (size_t i = 0; i < count; i += ABREAST) {
        for (size_t k = 0; k < ABREAST; k++)
            hertz[k] = first_hz + (double)(i + k) * step_hz;
        powers_abreast(spectrum, hertz, results);
        for (size_t k = 0; k < ABREAST && i + k < count; k++)
            powers[i + k] = results[k];
    }
}

double spectrum_power(const struct spectrum *spectrum, double hertz) {
    double power;
    spectrum_powers(spectrum, hertz, 0.0, &power, 1);
    return power;
}

double spectrum_peak(const struct spectrum *spectrum, double power) {
    return sqrt(16.0 * TAPER_POWER * power / (double)spectrum->count);
}

static double bin_hertz(const struct spectrum *spectrum, size_t bin) {
    return (double)(bin + 1) / spectrum_length_s(spectrum);
}

void spectrum_init(struct spectrum *spectrum, const float *values, size_t count, double step_s,
                   double noise_hz) {
    spectrum->count = count < SPECTRUM_LONGEST ? count : SPECTRUM_LONGEST;
    spectrum->step_s = step_s;
    for (size_t i = 0; i < spectrum->count; i++)
        spectrum->values[i] = (double)values[i];
    remove_trend(spectrum->values, spectrum->count, step_s);
    for (size_t i = 0; i < spectrum->count; i++) {
        double turn = 2.0 * PI * ((double)i + 0.5) / (double)spectrum->count;
        spectrum->values[i] *= 0.5 - 0.5 * cos(turn);
    }
    size_t bins = (size_t)(noise_hz * spectrum_length_s(spectrum));
    spectrum->bins = bins < SPECTRUM_BINS ? bins : SPECTRUM_BINS;
    spectrum_powers(spectrum, bin_hertz(spectrum, 0), bin_hertz(spectrum, 0), spectrum->log_powers,
                    spectrum->bins);
    for (size_t i = 0; i < spectrum->bins; i++)
        spectrum->log_powers[i] = log(spectrum->log_powers[i] + SMALLEST);
}

/* --- Noise ------------------------------------------------------------------------------ */

struct bins {
    size_t count;
    double hertz[SPECTRUM_BINS];
    double log_power[SPECTRUM_BINS];
};

static bool is_of_line(double hertz, double line_hz, double width_hz) {
    return line_hz > 0.0 && (hertz < line_hz + width_hz || fabs(hertz - 2.0 * line_hz) < width_hz ||
                             fabs(hertz - 3.0 * line_hz) < width_hz);
}

static void collect_bins(const struct spectrum *spectrum, double line_hz, struct bins *bins) {
    double width_hz = LINE_BINS / spectrum_length_s(spectrum);
    bins->count = 0;
    for (size_t i = 1; i < spectrum->bins; i++) { /* the trend took most of the lowest */
        double hertz = bin_hertz(spectrum, i);
        if (is_of_line(hertz, line_hz, width_hz))
            continue;
        bins->hertz[bins->count] = hertz;
        bins->log_power[bins->count++] = spectrum->log_powers[i];
    }
}

/* The value that half of them lie below; orders them partly (Hoare's FIND). */
static double median_of(double *values, size_t count) {
    ptrdiff_t wanted = (ptrdiff_t)(count / 2);
    ptrdiff_t low = 0;
    ptrdiff_t high = (ptrdiff_t)count - 1;
    while (low < high) {
        double pivot = values[wanted];
        ptrdiff_t i = low;
        ptrdiff_t j = high;
        while (i <= j) {
            while (values[i] < pivot)
                i++;
            while (values[j] > pivot)
                j--;
            if (i > j)
                break;
            double kept = values[i];
            values[i++] = values[j];
            values[j--] = kept;
        }
        if (j < wanted)
            low = i;
        if (wanted < i)
            high = j;
    }
    return values[wanted];
}

/* The floor's logarithm for that knee; the sum of the deviations from it. */
static double fit_floor(const struct bins *bins, double knee_hz, double *log_floor) {
    double logs[SPECTRUM_BINS] = {0.0};
    for (size_t i = 0; i < bins->count; i++) {
        double ratio = knee_hz / bins->hertz[i];
        logs[i] = bins->log_power[i] - log1p(ratio * ratio);
    }
    *log_floor = median_of(logs, bins->count);
    double sum = 0.0;
    for (size_t i = 0; i < bins->count; i++)
        sum += fabs(logs[i] - *log_floor);
    return sum;
}

struct spectrum_noise spectrum_noise_fit(const struct spectrum *spectrum, double line_hz) {
    struct bins bins;
    struct spectrum_noise noise = {0.0, 0.0};
    double least = HUGE_VAL;
    collect_bins(spectrum, line_hz, &bins);
    if (bins.count < FEWEST_BINS)
        return noise;
    for (int i = 0; i < KNEE_STEPS; i++) {
        double knee_hz = i == 0 ? 0.0 : KNEE_LOWEST * pow(2.0, 0.5 * (double)i);
        double log_floor;
        double sum = fit_floor(&bins, knee_hz, &log_floor);
        if (sum < least) {
            least = sum;
            noise.floor = exp(log_floor + LOG_MEDIAN);
            noise.knee_hz = knee_hz;
        }
    }
    return noise;
}

double spectrum_noise_power(const struct spectrum_noise *noise, double hertz) {
    double ratio = noise->knee_hz / hertz;
    return noise->floor * (1.0 + ratio * ratio);
}

double spectrum_chance(double ratio, double frequencies) {
    return fmin(1.0, frequencies * pow(1.0 + ratio / FREEDOM, -FREEDOM));
}
