// SPDX-License-Identifier: Apache-2.0
/*
 * bench.c - cranktrap-bench: how fast, how small, on this machine.
 */
#include "bench.h"

#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

static const struct part {
    const char *name;
    int (*run)(int argc, char **argv);
    const char *summary;
} parts[] = {
    {"codec", bench_codec, "[--json] [--data FOLDER]  ratio and speed beside zlib"},
    {"path", bench_path,
     "[--json] [--paced] [--seconds N]  from a board's bytes to the disk, on one core;\n"
     "       --paced: at 60 MB/s (--seconds 300 for the long form)"},
    {"stall", bench_stall,
     "[--json] [--seconds N] [--mb-per-s N] [--memory-mib N]  the disk stops for 10 s\n"
     "       under a source of 60 MB/s; is each scan there, or in a loss of its place? (root)"},
    {"rates", bench_rates,
     "[--json]                  a sample's cost, 1 to 64 channels, 1 to 8 boards"},
    {"stages", bench_stages, "[--json]                 of the path, each by itself"},
    {"usb", bench_usb, "[--json]                    a USB board, from its transfers to the disk"},
    {"draw", bench_draw, "[--json]                   a night of 12 h, at any zoom (needs 1 GB)"},
    {"night", bench_night,
     "FOLDER SECONDS           makes a ring for api_bench.py: what a daemon has recorded until "
     "now"},
    {"open", bench_open, "[--json]                   a ring of 2000 segments"},
    {"age", bench_age, "[--json]                    rings from an hour to a month (needs 2 GB)"},
    {"report", bench_report, "[--json]                 of a record of 40 s, on one core"},
};
enum { PARTS = sizeof parts / sizeof parts[0] };

double bench_cpu_s(void) {
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

int bench_one_core(void) {
    int core = sched_getcpu();
    cpu_set_t cores;
    CPU_ZERO(&cores);
    CPU_SET(core < 0 ? 0u : (unsigned)core, &cores);
    return sched_setaffinity(0, sizeof cores, &cores);
}

static int compare(const void *a, const void *b) {
    double x = *(const double *)a;
    double y = *(const double *)b;
    return (x > y) - (x < y);
}

double bench_median(double *values, size_t count) {
    qsort(values, count, sizeof *values, compare);
    return count % 2 ? values[count / 2] : (values[count / 2 - 1] + values[count / 2]) / 2;
}

static void usage(FILE *to) {
    fputs("usage:\n", to);
    for (size_t i = 0; i < PARTS; i++)
        fprintf(to, "  cranktrap-bench %s %s\n", parts[i].name, parts[i].summary);
}

int main(int argc, char **argv) {
    if (argc >= 2 && strcmp(argv[1], "--help") == 0) {
        usage(stdout);
        return 0;
    }
    for (size_t i = 0; argc >= 2 && i < PARTS; i++)
        if (strcmp(argv[1], parts[i].name) == 0)
            return parts[i].run(argc - 1, argv + 1);
    usage(stderr);
    return 2;
}
