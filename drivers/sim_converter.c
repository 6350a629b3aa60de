// SPDX-License-Identifier: Apache-2.0
/*
 * sim_converter.c - the simulated board's converter.
 *
 * A level is kept in 1/4096 of a count. Noise comes from a table of 256 equally likely values of
 * a normal distribution, one random byte choosing: cheap enough for hundreds of millions of
 * samples, and it dithers the rounding as a real converter's noise does.
 */
#include "sim_converter.h"

#include "sim_random.h"

#include <math.h>

#define FRACTION_BITS 12
#define LOWEST_VOLTS  (-1.024)
#define SPAN_VOLTS    6.5536
#define NOISE_COUNTS  0.7

/* Where the standard normal distribution reaches `probability`. */
static double normal_quantile(double probability) {
    double low = -8.0;
    double high = 8.0;
    for (int i = 0; i < 60; i++) {
        double middle = (low + high) / 2.0;
        if (erfc(-middle / M_SQRT2) / 2.0 < probability)
            low = middle;
        else
            high = middle;
    }
    return (low + high) / 2.0;
}

void sim_converter_init(struct sim_converter *converter, unsigned bits, uint64_t noise_seed) {
    double counts = (double)(1U << bits);
    converter->counts_per_volt = counts / SPAN_VOLTS;
    converter->zero_counts = -LOWEST_VOLTS * converter->counts_per_volt;
    converter->top = (int32_t)(1U << bits) - 1;
    converter->noise_seed = noise_seed;
    for (int i = 0; i < 256; i++) {
        double value = NOISE_COUNTS * normal_quantile((i + 0.5) / 256.0);
        converter->noise[i] = (int32_t)lround(value * (1 << FRACTION_BITS));
    }
}

/* In parts of a count, with the half that turns the later shift into rounding. */
static int32_t level_of(const struct sim_converter *converter, double volts) {
    double counts = converter->zero_counts + volts * converter->counts_per_volt + 0.5;
    counts = fmin(fmax(counts, -16.0), converter->top + 16.0);
    return (int32_t)lrint(counts * (1 << FRACTION_BITS));
}

static inline int32_t count_of(const struct sim_converter *converter, int32_t level, uint8_t byte) {
    int32_t count = (level + converter->noise[byte]) >> FRACTION_BITS;
    if (count < 0)
        return 0;
    return count > converter->top ? converter->top : count;
}

void sim_converter_scan(const struct sim_converter *converter, uint64_t scan,
                        const double volts[SIM_INPUTS], size_t inputs, int32_t *counts) {
    uint64_t random = sim_random_at(converter->noise_seed, scan);
    for (size_t input = 0; input < inputs; input++) {
        counts[input] = count_of(converter, level_of(converter, volts[input]), (uint8_t)random);
        random >>= 8;
    }
}

void sim_converter_repeat(const struct sim_converter *converter, uint64_t first_scan, size_t scans,
                          const double volts[SIM_INPUTS], size_t inputs, int32_t *counts) {
    int32_t levels[SIM_INPUTS];
    for (size_t input = 0; input < inputs; input++)
        levels[input] = level_of(converter, volts[input]);
    for (size_t scan = 0; scan < scans; scan++) {
        uint64_t random = sim_random_at(converter->noise_seed, first_scan + scan);
        for (size_t input = 0; input < inputs; input++) {
            *counts++ = count_of(converter, levels[input], (uint8_t)random);
            random >>= 8;
        }
    }
}
