// SPDX-License-Identifier: Apache-2.0
/*
 * watch_gather.h - gathers a stretch of one board's scans for a person at the bench.
 *
 * Private to watch. Not locked: watch's own lock is held around every call.
 */
#ifndef CRANKTRAP_WATCH_GATHER_H
#define CRANKTRAP_WATCH_GATHER_H

#include "record.h"
#include "watch.h"

struct watch_gather {
    bool active;
    double seconds;
    size_t gathered;              /* scans so far */
    struct watch_capture capture; /* counts NULL until the first run tells how many there will be */
};

/* From the next run of that board on. */
void watch_gather_begin(struct watch_gather *gather, size_t board, double seconds);

/* The next run of any board. Without memory it stays empty. */
void watch_gather_push(struct watch_gather *gather, const struct record_run *run);

/* All of it is there. */
bool watch_gather_done(const struct watch_gather *gather);

/* As watch_capture_end(). */
int watch_gather_end(struct watch_gather *gather, struct watch_capture *capture);

#endif
