// SPDX-License-Identifier: Apache-2.0
/*
 * pipeline_poll.c - the pipeline thread of a poll board: the driver gets the scans itself.
 */
#include "board_file.h"
#include "board_port.h"
#include "monotonic.h"
#include "pipeline.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>

#define SECOND_NS        1000000000ll
#define FETCH_MS         100
#define SLICE_NS         (SECOND_NS / 20) /* of a wait, so that a flush is answered meanwhile */
#define PACE_NS          2000000
#define BACKOFF_FIRST_NS (SECOND_NS / 4)
#define BACKOFF_MAX_NS   (5 * SECOND_NS)

static void wait_until(struct pipeline *pipeline, int64_t until_ns) {
    while (!intake_board_stopping(pipeline->owner) && monotonic_ns() < until_ns) {
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

/* What the driver says of its last failure; "" where it says nothing. */
static const char *explanation(const struct pipeline *pipeline) {
    return pipeline->driver->explain != NULL ? pipeline->driver->explain(pipeline->board) : "";
}

static void say_silence(struct pipeline *pipeline, double limit_s) {
    const char *why = explanation(pipeline);
    pipeline->streaming = false;
    intake_board_say(pipeline->owner, INTAKE_SILENT, "no scan has come for %g s: %s", limit_s,
                     why[0] != '\0' ? why : "check the board's power and cable");
}

/* Fetches until the board has gone, ended, is refused, or intake stops (0). */
static int fetch(struct pipeline *pipeline) {
    double limit_s = board_silence_limit_s(pipeline->driver, &pipeline->owner->hookup->settings);
    int64_t last = monotonic_ns();
    while (!intake_board_stopping(pipeline->owner)) {
        pace(pipeline);
        int result = pipeline->driver->fetch(pipeline->board, FETCH_MS);
        pipeline_tell(pipeline);
        pipeline_tick(pipeline);
        if (result < 0)
            return result;
        if (pipeline->refused)
            return -EINVAL;
        int64_t now = monotonic_ns();
        if (result > 0) {
            last = now;
            pipeline->counters.results[BOARD_OK]++;
        } else if (limit_s > 0.0 && (double)(now - last) > limit_s * (double)SECOND_NS) {
            say_silence(pipeline, limit_s);
            last = now; /* said once; what it says may be another next time */
        }
    }
    return 0;
}

/* A board that has gone is not there for a while: that needs no saying again. */
static void say_end(struct pipeline *pipeline, int result, int before) {
    const struct hookup_board *hookup = pipeline->owner->hookup;
    char name[256], why[384];
    if (result == -ENOENT && (before == -ENODEV || before == -ENOENT))
        return;
    board_port_name(hookup, name, sizeof name);
    if (explanation(pipeline)[0] != '\0')
        (void)snprintf(why, sizeof why, "%s", explanation(pipeline));
    else if (result == -ENODEV)
        (void)snprintf(why, sizeof why,
                       "%s has gone (unplugged, or its power is off): waiting for it to come back",
                       name);
    else if (hookup->driver->bus == BOARD_USB || hookup->driver->bus == BOARD_SERIAL)
        board_port_explain(hookup, result, why, sizeof why);
    else
        (void)snprintf(why, sizeof why, "%s cannot be used: %s", name, strerror(-result));
    intake_board_say(pipeline->owner, INTAKE_WAITING, "%s", why);
}

/* One go, from start to whatever ends it (`*ended`: as the one before did). False when there will
 * be no other. */
static bool run_once(struct pipeline *pipeline, int *ended) {
    struct intake_board *owner = pipeline->owner;
    int before = *ended;
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
    *ended = result == -ENOENT && before == -ENODEV ? before : result;
    say_end(pipeline, result, before);
    return true;
}

void *pipeline_poll(void *intake_board) {
    struct intake_board *owner = intake_board;
    struct pipeline *pipeline = owner->pipeline;
    struct board_bytes unused = {0};
    int64_t backoff_ns = BACKOFF_FIRST_NS;
    int ended = 0;
    while (run_once(pipeline, &ended)) {
        if (atomic_exchange(&owner->streaming, false))
            backoff_ns = BACKOFF_FIRST_NS;
        wait_until(pipeline, monotonic_ns() + backoff_ns);
        backoff_ns = 2 * backoff_ns < BACKOFF_MAX_NS ? 2 * backoff_ns : BACKOFF_MAX_NS;
    }
    if (pipeline->driver->stop != NULL)
        (void)pipeline->driver->stop(pipeline->board, &unused);
    pipeline_finish(pipeline);
    return NULL;
}
