// SPDX-License-Identifier: Apache-2.0
/*
 * spectrum.h - one short stretch of a value by frequency, and how much of that is noise.
 *
 * The stretch loses its mean, slope and bend and the exponential recoveries that a battery or a
 * starter's surge may be in when it begins (0.04 to 0.25 s), and is tapered (Hann). Powers are
 * scaled so that white noise of variance v has the mean power v at every frequency; a sine of peak
 * A has the power A x A x count / 6 at its own.
 *
 * Noise is taken as white plus a random walk: floor x (1 + (knee / f)^2). No first-order red noise
 * (AR(1)) falls more steeply with frequency; one that flattens at low frequencies is
 * overestimated there, which hides a ripple rather than making one up.
 */
#ifndef CRANKTRAP_SPECTRUM_H
#define CRANKTRAP_SPECTRUM_H

#include <stddef.h>

#define SPECTRUM_LONGEST 2000 /* values of a stretch */
#define SPECTRUM_BINS    128

struct spectrum {
    double values[SPECTRUM_LONGEST];
    size_t count;
    double step_s; /* between values */
    size_t bins;   /* powers at 1, 2, ... / length, from which the noise is taken */
    double log_powers[SPECTRUM_BINS];
};

/*
 * Takes 8..SPECTRUM_LONGEST values, `step_s` apart. Noise will be taken from frequencies up to
 * `noise_hz`, at most SPECTRUM_BINS of them.
 */
void spectrum_init(struct spectrum *spectrum, const float *values, size_t count, double step_s,
                   double noise_hz);

/* Length of the stretch, seconds. */
double spectrum_length_s(const struct spectrum *spectrum);

/* Power at a frequency below half the rate of the values; unit of the values, squared. */
double spectrum_power(const struct spectrum *spectrum, double hertz);

/* Powers at `count` frequencies, `step_hz` apart. */
void spectrum_powers(const struct spectrum *spectrum, double first_hz, double step_hz,
                     double *powers, size_t count);

/* Peak of the sine that has that power; unit of the values. */
double spectrum_peak(const struct spectrum *spectrum, double power);

struct spectrum_noise {
    double floor; /* power; 0: nothing is known */
    double knee_hz;
};

/*
 * The noise, from the frequencies that lie above `line_hz` and are none of its harmonics 2 and 3,
 * by the least sum of absolute deviations of the logarithm: single lines beside do not move it.
 * `line_hz` 0: all frequencies.
 */
struct spectrum_noise spectrum_noise_fit(const struct spectrum *spectrum, double line_hz);

/* The noise's mean power at a frequency. */
double spectrum_noise_power(const struct spectrum_noise *noise, double hertz);

/*
 * Probability that noise alone reaches `ratio` times its fitted mean power at any of `frequencies`
 * independent frequencies: a power over a mean that was itself estimated, and continued to lower
 * frequencies, has a tail much heavier than the exponential one. The tail taken is that of an F
 * distribution with 2 and 6 degrees of freedom, which bounds what red noises of many kinds give
 * (tests/unit/analysis/ripple_reference.py).
 */
double spectrum_chance(double ratio, double frequencies);

#endif
