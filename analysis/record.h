// SPDX-License-Identifier: Apache-2.0
/*
 * record.h - how the analysis gets at samples: a run at a time, through callbacks.
 *
 * A record has one or more streams (boards). Each stream comes as runs of equally spaced scans
 * without a loss inside. Live, the runs are what a pipeline has just decoded; from a file, they
 * are its blocks. Detectors take runs and cannot tell the difference.
 */
#ifndef CRANKTRAP_RECORD_H
#define CRANKTRAP_RECORD_H

#include "vehicle.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct record_run {
    size_t stream;
    size_t inputs;                /* inputs of each scan of this stream */
    size_t scans;                 /* scans of this run, at least 1 */
    double time_s;                /* of the first scan, on the record's own axis */
    double period_s;              /* between scans: the true one, where a clock measured it */
    bool after_loss;              /* scans are missing right before this run */
    const int32_t *const *counts; /* counts[input][scan]; valid until the next call */
};

/* Scans known to be missing. `scans` is RECORD_LOSS_UNKNOWN where nobody counted them. */
#define RECORD_LOSS_UNKNOWN UINT64_MAX
struct record_loss {
    size_t stream;
    double from_s;
    double to_s;
    uint64_t scans;
    const char *reason; /* a short plain phrase; static or owned by the record */
};

struct record {
    void *context;
    const struct vehicle *vehicle;
    double from_s; /* the stretch the record covers, all streams together */
    double to_s;

    /*
     * Goes to the first run that ends after `from_s`. Returns 0, or a negative errno of the
     * underlying file. The runs of several streams then come merged by the time they begin.
     */
    int (*seek)(void *context, double from_s);

    /* 1 and a run, 0 at the end, or a negative errno (`*run` is then untouched). */
    int (*next)(void *context, struct record_run *run);

    /* The losses of the whole record in order of time; `*losses` belongs to the record. */
    size_t (*losses)(void *context, const struct record_loss **losses);
};

#endif
