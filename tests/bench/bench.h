// SPDX-License-Identifier: Apache-2.0
/*
 * bench.h - the parts of cranktrap-bench. Each takes its own arguments, argv[0] being its name,
 * prints a table or JSON, and returns the exit status.
 */
#ifndef CRANKTRAP_BENCH_H
#define CRANKTRAP_BENCH_H

#include <stdbool.h>
#include <stddef.h>

int bench_age(int argc, char **argv);
int bench_codec(int argc, char **argv);
int bench_draw(int argc, char **argv);
int bench_night(int argc, char **argv);
int bench_open(int argc, char **argv);
int bench_path(int argc, char **argv);
int bench_rates(int argc, char **argv);
int bench_report(int argc, char **argv);
int bench_stages(int argc, char **argv);
int bench_stall(int argc, char **argv);
int bench_usb(int argc, char **argv);

/* The paced source of `path`: an exit status, 1 where a scan was lost. */
int bench_paced(unsigned seconds, bool json);

/* Processor time of the whole program so far, in seconds. */
double bench_cpu_s(void);

/* The median; sorts `values`. */
double bench_median(double *values, size_t count);

/* From now on this process, and what it starts, runs on one core: the one it is on. 0 or -1. */
int bench_one_core(void);

/* Processor time of a plain copy and of zlib -1 (in pieces of `piece` bytes), each for all of
 * `count` bytes: the median of several rounds. 0, or -1 without memory. */
struct bench_peers {
    double copy_s, zlib_s;
};
int bench_peers(const void *bytes, size_t count, size_t piece, struct bench_peers *peers);

#endif
