// SPDX-License-Identifier: Apache-2.0
/*
 * bench.h - the parts of cranktrap-bench. Each takes its own arguments, argv[0] being its name,
 * prints a table or JSON, and returns the exit status.
 */
#ifndef CRANKTRAP_BENCH_H
#define CRANKTRAP_BENCH_H

#include <stddef.h>

int bench_codec(int argc, char **argv);

/* Processor time of the whole program so far, in seconds. */
double bench_cpu_s(void);

/* The median; sorts `values`. */
double bench_median(double *values, size_t count);

#endif
