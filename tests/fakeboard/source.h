// SPDX-License-Identifier: Apache-2.0
/*
 * source.h - where the fake board's volts come from: a CSV, a recording of edges, the simulator.
 *
 * Each kind fills a `struct source`; the fake board asks it for one scan after the other.
 */
#ifndef CRANKTRAP_FAKEBOARD_SOURCE_H
#define CRANKTRAP_FAKEBOARD_SOURCE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define SOURCE_INPUTS_MAX 64

struct source {
    size_t inputs;
    double rate_hz;
    char input_names[SOURCE_INPUTS_MAX][32];
    void *state;
    /* The next scan's volts; false at the end. */
    bool (*next)(void *state, double *volts);
    void (*close)(void *state);
};

/* A stretch of time, s; `to` <= `from`: none. */
struct stretch {
    double from_s, to_s;
};

/* Times are on the recording's own axis, its first column. */
struct edges_plan {
    double rate_hz;
    double lead_in_s, lead_out_s;
    struct stretch
        crank; /* the starter is engaged; none: 0.2 s before the first edge to the last */
    struct stretch collapse; /* of the feed; none: it holds */
    double collapse_v;
    bool dead_high;     /* signals while the feed is down */
    unsigned teeth;     /* edges (one way) of the first signal in a turn; 0: not known */
    unsigned cylinders; /* for the ripple */
    uint64_t seed;
};

/*
 * Each says what is wrong on stderr and returns -1. A CSV's rate may be 0: one scan a row. The
 * simulator's options are "name=value,name=value" of the driver sim's table.
 */
int source_csv_open(const char *path, double rate_hz, double lead_in_s, double lead_out_s,
                    struct source *source);
int source_edges_open(const char *path, const struct edges_plan *plan, struct source *source);
int source_sim_open(const char *options, struct source *source);

#endif
