// SPDX-License-Identifier: Apache-2.0
/*
 * watch_gather.c - copies runs of one board one behind the other; a loss throws all of it away.
 */
#include "watch_gather.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define LEAST_SCANS 16

void watch_gather_begin(struct watch_gather *gather, size_t board, double seconds) {
    *gather = (struct watch_gather){
        .active = true, .seconds = seconds, .capture = {.board = board, .counts = NULL}};
}

/* The one allocation: its size is known once a run tells the rate. */
static bool make_room(struct watch_gather *gather, const struct record_run *run) {
    struct watch_capture *capture = &gather->capture;
    if (capture->counts && capture->inputs == run->inputs)
        return true;
    free(capture->counts);
    size_t most = WATCH_CAPTURE_MOST / run->inputs;
    double wanted = gather->seconds / run->period_s + 0.5;
    size_t scans = wanted < (double)most ? (size_t)wanted : most;
    capture->inputs = run->inputs;
    capture->scans = scans > LEAST_SCANS ? scans : LEAST_SCANS;
    capture->counts = calloc(capture->scans * capture->inputs, sizeof *capture->counts);
    gather->gathered = 0;
    return capture->counts != NULL;
}

void watch_gather_push(struct watch_gather *gather, const struct record_run *run) {
    struct watch_capture *capture = &gather->capture;
    if (!gather->active || run->stream != capture->board || watch_gather_done(gather) ||
        !make_room(gather, run))
        return;
    if (run->after_loss)
        gather->gathered = 0;
    size_t room = capture->scans - gather->gathered;
    size_t taken = run->scans < room ? run->scans : room;
    for (size_t input = 0; input < run->inputs; input++)
        memcpy(&capture->counts[input * capture->scans + gather->gathered], run->counts[input],
               taken * sizeof *capture->counts);
    gather->gathered += taken;
    capture->period_s = run->period_s;
}

bool watch_gather_done(const struct watch_gather *gather) {
    return gather->capture.counts && gather->gathered == gather->capture.scans;
}

int watch_gather_end(struct watch_gather *gather, struct watch_capture *capture) {
    bool done = watch_gather_done(gather);
    if (done)
        *capture = gather->capture;
    else
        free(gather->capture.counts);
    *gather = (struct watch_gather){0};
    return done ? 0 : -EAGAIN;
}
