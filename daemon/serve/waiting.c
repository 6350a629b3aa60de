// SPDX-License-Identifier: Apache-2.0
/*
 * waiting.c - the list of requests that wait, and the thread that looks at it.
 */
#include "waiting.h"

#include "live.h"
#include "monotonic.h"
#include "phone.h"
#include "ring_notes.h"
#include "shown.h"

#include <errno.h>
#include <time.h>

#define LOOK_READINGS 10 /* every 5 s: addresses come and go, snapshots are left */

bool wait_for_tick(struct serve *serve, struct request *request, unsigned ticks) {
    pthread_mutex_lock(&serve->lock);
    bool ending = serve->ending;
    if (!ending) {
        request->waited = true;
        request->ticks_left = ticks;
        MHD_suspend_connection(request->connection);
        request->next = serve->waiting;
        serve->waiting = request;
    }
    pthread_mutex_unlock(&serve->lock);
    return !ending;
}

/* Has what this request waits for come (or its patience ended)? Called with the lock held. */
static bool is_due(struct serve *serve, struct request *request) {
    if (serve->ending || request->ticks_left == 0)
        return true;
    request->ticks_left--;
    if (request->capturing)
        return watch_capture_done(serve->parts.watch);
    if (request->snapshot)
        return snapshots_wait(serve->parts.snapshots, request->snapshot, 0) != -ETIMEDOUT;
    return serve->readings > request->after;
}

static void resume_due(struct serve *serve) {
    struct request **link = &serve->waiting;
    while (*link) {
        struct request *request = *link;
        if (is_due(serve, request)) {
            *link = request->next;
            MHD_resume_connection(request->connection);
        } else {
            link = &request->next;
        }
    }
}

void *waiting_ticker(void *argument) {
    struct serve *serve = argument;
    pthread_mutex_lock(&serve->lock);
    for (unsigned long tick = 0; !serve->ending; tick++) {
        const struct timespec until = monotonic_in(TICK_MS * INT64_C(1000000));
        while (!serve->ending &&
               pthread_cond_timedwait(&serve->wake, &serve->lock, &until) != ETIMEDOUT) {
        }
        if (serve->ticks_to_reload && --serve->ticks_to_reload == 0)
            serve->parts.reload(serve->parts.context);
        if (tick % 2) {
            unsigned long sequence = ++serve->readings; /* readings span half a second */
            pthread_mutex_unlock(&serve->lock);
            if (sequence % LOOK_READINGS == 0) {
                phone_look(serve);
                shown_tidy(serve->shown);
                (void)ring_notes_look(serve->notes, RING_NOTES_BUDGET_NS);
            }
            live_tick(serve, sequence);
            pthread_mutex_lock(&serve->lock);
        }
        resume_due(serve);
    }
    resume_due(serve);
    pthread_mutex_unlock(&serve->lock);
    return NULL;
}
