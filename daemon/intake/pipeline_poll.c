// SPDX-License-Identifier: Apache-2.0
/*
 * pipeline_poll.c - the pipeline thread of a poll board: the driver gets the scans itself.
 */
#include "pipeline.h"

#include <errno.h>
#include <string.h>

#define SECOND_NS        1000000000ll
#define FETCH_MS         100
#define SLICE_NS         (SECOND_NS / 20) /* of a wait, so that a flush is answered meanwhile */
#define PACE_NS          2000000
#define BACKOFF_FIRST_NS (SECOND_NS / 4)
#define BACKOFF_MAX_NS   (5 * SECOND_NS)

static void wait_until(struct pipeline *pipeline, int64_t until_ns) {
    while (!intake_board_stopping(pipeline->owner) && intake_monotonic_ns() < until_ns) {
        pipeline_tick(pipeline);
        intake_board_pause(pipeline->owner, SLICE_NS);
    }
}

/*
 * A simulation that runs freely is faster than any disk. It waits here while the memory ring is
 * half full: its world stands still, and nothing is lost. A real board cannot be made to wait.
 */
static void pace(struct pipeline *pipeline) {
    if (!pipeline->driven)
        return;
    while (memory_ring_fill(pipeline->owner->intake->memory) > 0.5 &&
           !intake_board_stopping(pipeline->owner)) {
        pipeline_tick(pipeline);
        intake_board_pause(pipeline->owner, PACE_NS);
    }
}

/* Makes the device ready and learns what it is. */
static int begin(struct pipeline *pipeline) {
    struct board_bytes unused = {0};
    pipeline->refused = false;
    pipeline->streaming = false;
    int result = pipeline->driver->start(pipeline->board, &unused);
    if (result == 0)
        result = pipeline_describe(pipeline);
    return result == -EAGAIN ? 0 : result; /* it will note when it knows */
}

/* Fetches until the board has gone, ended, is refused, or intake stops (0). */
static int fetch(struct pipeline *pipeline) {
    double limit_s = pipeline->driver->silence_limit_s;
    int64_t last = intake_monotonic_ns();
    while (!intake_board_stopping(pipeline->owner)) {
        pace(pipeline);
        int result = pipeline->driver->fetch(pipeline->board, FETCH_MS);
        pipeline_tell(pipeline);
        pipeline_tick(pipeline);
        if (result < 0)
            return result;
        if (pipeline->refused)
            return -EINVAL;
        int64_t now = intake_monotonic_ns();
        if (result > 0) {
            last = now;
            pipeline->counters.results[BOARD_OK]++;
        } else if (limit_s > 0.0 && (double)(now - last) > limit_s * (double)SECOND_NS &&
                   pipeline->streaming) {
            pipeline->streaming = false;
            intake_board_say(pipeline->owner, INTAKE_SILENT,
                             "no scan has come for %g s: check the board's power and cable",
                             limit_s);
        }
    }
    return 0;
}

static void say_end(struct pipeline *pipeline, int result) {
    const char *device = pipeline->owner->hookup->device;
    if (device == NULL)
        device = "the board";
    if (result == -ENODEV)
        intake_board_say(pipeline->owner, INTAKE_WAITING,
                         "%s has gone (unplugged, or its power is off): waiting for it to come "
                         "back",
                         device);
    else
        intake_board_say(pipeline->owner, INTAKE_WAITING, "%s cannot be used: %s", device,
                         strerror(-result));
}

/* One go, from start to whatever ends it. False when there will be no other. */
static bool run_once(struct pipeline *pipeline) {
    struct intake_board *owner = pipeline->owner;
    int result = begin(pipeline);
    if (result == 0)
        result = fetch(pipeline);
    if (intake_board_stopping(owner))
        return false;
    if (result == -ENODATA) {
        pipeline_close_block(pipeline);
        pipeline_tick(pipeline); /* the counters are final before anybody hears of the end */
        intake_board_say(owner, INTAKE_ENDED, "the simulation has come to its end");
        return false;
    }
    pipeline_break_off(pipeline, "connection lost");
    if (pipeline->refused) {
        wait_until(pipeline, INT64_MAX); /* it would say the same again */
        return false;
    }
    say_end(pipeline, result);
    return true;
}

void *pipeline_poll(void *intake_board) {
    struct intake_board *owner = intake_board;
    struct pipeline *pipeline = owner->pipeline;
    struct board_bytes unused = {0};
    int64_t backoff_ns = BACKOFF_FIRST_NS;
    while (run_once(pipeline)) {
        if (atomic_exchange(&owner->streaming, false))
            backoff_ns = BACKOFF_FIRST_NS;
        wait_until(pipeline, intake_monotonic_ns() + backoff_ns);
        backoff_ns = 2 * backoff_ns < BACKOFF_MAX_NS ? 2 * backoff_ns : BACKOFF_MAX_NS;
    }
    if (pipeline->driver->stop != NULL)
        (void)pipeline->driver->stop(pipeline->board, &unused);
    pipeline_finish(pipeline);
    return NULL;
}
