// SPDX-License-Identifier: Apache-2.0
/*
 * sine_fit.h - the sine that lies closest to a stretch of samples, and what is left beside it.
 *
 * Four parameters (frequency, amplitude, phase, offset) by least squares, as IEEE Std 1057 fits a
 * sine to test a digitizer; signal to noise and distortion, and effective bits, by IEEE Std
 * 1241-2000, equations 93, 94 and 102.
 */
#ifndef CRANKTRAP_SINE_FIT_H
#define CRANKTRAP_SINE_FIT_H

#include <stddef.h>

/* value = amplitude * sin(2 pi frequency_hz t + phase) + offset; t = 0 at the first sample. */
struct sine_fit {
    double frequency_hz;
    double amplitude; /* >= 0 */
    double phase;     /* radians, -pi..pi */
    double offset;
    double residual; /* rms beside the sine: noise and distortion */
    unsigned rounds; /* that it took */
};

/*
 * Frequency of something like a sine by the times at which it crosses its middle, with a quarter of
 * its swing as hysteresis. 0, or -EDOM where it crosses less than three times.
 */
int sine_guess(const double *values, size_t count, double period_s, double *frequency_hz);

/*
 * Fits. `guess_hz` may be off by two periods over the whole stretch. 0; -EINVAL for less than 8
 * samples, or a guess beyond half the rate; -EDOM where nothing is found (no sine at all). `*fit`
 * is untouched on failure.
 */
int sine_fit(const double *values, size_t count, double period_s, double guess_hz,
             struct sine_fit *fit);

/* Signal to noise and distortion, dB: equation 94. INFINITY without a residual. */
double sine_sinad_db(const struct sine_fit *fit);

/* log2(full scale, peak to peak / (residual * sqrt(12))): equation 102. Not capped. */
double sine_effective_bits(const struct sine_fit *fit, double full_scale);

#endif
