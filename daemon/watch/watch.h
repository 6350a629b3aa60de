// SPDX-License-Identifier: Apache-2.0
/*
 * watch.h - triggers, phases and attempts on the live stream, and the leads' live readings.
 *
 * Fed by intake's tap, on its pipeline threads (a lock is held a run, not a scan). Results go out
 * through callbacks on the same thread: they must only post messages.
 */
#ifndef CRANKTRAP_WATCH_H
#define CRANKTRAP_WATCH_H

#include "hookup.h"
#include "phases.h"
#include "record.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 * A trigger's note in the stream. A feed's comes 1.5 s after its moment, when it is known not to
 * be a key-off. A cranking's end carries a `before_s` that reaches back before its beginning; one
 * that lasts is noted again (`begins`) in time to lengthen the snapshot under way.
 */
struct watch_mark {
    const char *trigger; /* "cranking", "feed", "silent", "switch", "manual", or a section's name;
                            valid during the call */
    size_t channel;      /* CHANNEL_NONE */
    enum phase phase;
    int64_t elapsed_ns;       /* the moment it is about */
    double value;             /* NAN */
    bool begins;              /* false: the condition is over */
    double before_s, after_s; /* the stretch to save around it; both 0: a note, save nothing */
    bool suppressed; /* it would have been saved, but its trigger's budget of the hour is used up */
    const char *text; /* one plain sentence; valid during the call */
};

/* Called while no lock of watch is held: a sink may call any watch_ function but watch_free. */
struct watch_sinks {
    void *context;
    /* The starter has engaged or let go. Comes before the mark. */
    void (*cranking)(void *context, bool engaged, int64_t elapsed_ns);
    void (*mark)(void *context, const struct watch_mark *mark);
};

/* A lead's reading over the last half second (and extremes since latched). */
struct watch_reading {
    bool fresh;                              /* samples came within the last second */
    double newest, lowest, highest, average; /* channel's unit; NAN: nothing seen */
    double low, high;                        /* true levels of an on/off signal; NAN */
    double duty;                             /* NAN */
    double edges_per_s;                      /* NAN */
    double latched_low, latched_high;        /* since watch_latch() */
};

/* A trigger whose budget of the hour did not suffice (docs/triggers.md). */
struct watch_storm {
    const char *trigger; /* valid as long as the hookup */
    size_t channel;
    unsigned suppressed; /* marks that were not saved, since the start */
    int64_t latest_ns;   /* the moment of the latest of them, elapsed */
};

/* Whole scans of one board, as they came: counts[input * scans + scan]. */
struct watch_capture {
    size_t board, inputs, scans;
    double period_s; /* between scans */
    int32_t *counts; /* free() it */
};

struct watch;

/* `hookup` is kept, `sinks` copied. */
int watch_new(const struct hookup *hookup, const struct watch_sinks *sinks, struct watch **watch);
void watch_free(struct watch *watch); /* takes NULL */

/* Before any run: the count of attempts goes on from another watch's, whose place it takes. */
void watch_continue(struct watch *watch, struct watch *before);

/*
 * A board's description has come: scales are final now, detectors for its channels are made. The
 * same description once more (a board that came back) changes nothing. 0, -EINVAL, -ENOMEM.
 */
int watch_fitted(struct watch *watch, size_t board);

/* The next samples of a stream (intake's tap). */
void watch_run(struct watch *watch, const struct record_run *run);
void watch_loss(struct watch *watch, size_t board);

/* Any thread. */
enum phase watch_phase(struct watch *watch);
bool watch_cranking(struct watch *watch);
unsigned watch_attempts(struct watch *watch); /* crankings seen since the start */
void watch_reading(struct watch *watch, size_t channel, struct watch_reading *reading);
/* The n-th trigger (from 0) that marked what was not saved; false: there are no more. */
bool watch_storm(struct watch *watch, size_t n, struct watch_storm *storm);
void watch_latch(struct watch *watch); /* forget the latched extremes */

/*
 * Any thread. Begins to gather the next `seconds` of a board (at least 16 scans, at most
 * WATCH_CAPTURE_MOST counts of all inputs together, and then fewer seconds) without a loss inside:
 * after one it begins again. One capture at a time: 0, -EBUSY, -ENODEV (not fitted).
 */
#define WATCH_CAPTURE_MOST 262144
int watch_capture_begin(struct watch *watch, size_t board, double seconds);
bool watch_capture_done(struct watch *watch); /* all of it has come */

/* Ends it: 0 and the whole capture, or -EAGAIN where it had not all come (nothing to free). */
int watch_capture_end(struct watch *watch, struct watch_capture *capture);

#endif
