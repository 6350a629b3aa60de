// SPDX-License-Identifier: Apache-2.0
/*
 * sim_converter.h - the simulated board's analogue-to-digital converter: volts to noisy counts.
 *
 * It spans -1.024 V to +5.53 V, so that a return which goes below ground is still seen. The noise
 * of a sample depends on its scan and input alone, never on how scans are put into batches.
 */
#ifndef CRANKTRAP_SIM_CONVERTER_H
#define CRANKTRAP_SIM_CONVERTER_H

#include <stddef.h>
#include <stdint.h>

#define SIM_INPUTS 8 /* one byte of a scan's 64 random bits for each */

struct sim_converter {
    double counts_per_volt;
    double zero_counts; /* at 0 V */
    int32_t top;        /* highest count; the lowest is 0 */
    uint64_t noise_seed;
    int32_t noise[256]; /* in parts of a count: see sim_converter.c */
};

/* `bits` 8..16. The noise is 0.7 counts rms. */
void sim_converter_init(struct sim_converter *converter, unsigned bits, uint64_t noise_seed);

/* One scan of `inputs` inputs. */
void sim_converter_scan(const struct sim_converter *converter, uint64_t scan,
                        const double volts[SIM_INPUTS], size_t inputs, int32_t *counts);

/* `scans` scans of unchanging volts: the fast way, for the many quiet hours of a night. */
void sim_converter_repeat(const struct sim_converter *converter, uint64_t first_scan, size_t scans,
                          const double volts[SIM_INPUTS], size_t inputs, int32_t *counts);

#endif
