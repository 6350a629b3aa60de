// SPDX-License-Identifier: Apache-2.0
/*
 * feeds.h - moments at which a sensor's feed fell below what it must hold. Incremental.
 *
 * A feed is judged against its sensor's return. It must hold its nominal less the tolerance, or,
 * where the battery leaves less at that moment, the battery less the regulator's drop-out; a feed
 * that follows the battery by design must hold the battery less the drop-out. Whether a dip is an
 * event (and not a key turned off) is decided later, from the phases.
 */
#ifndef CRANKTRAP_FEEDS_H
#define CRANKTRAP_FEEDS_H

#include "limits.h"
#include "record.h"

#include <stdbool.h>
#include <stddef.h>

#define FEED_FALLS 32 /* falls of one dip that are kept; further ones are only counted */

/* One fall of a dip: down from here to there (NAN: to the end of what is known). */
struct feed_fall {
    double from_s, to_s;
};

struct feed_dip {
    size_t channel;
    double from_s, from_until_s;        /* the onset lies in between */
    double to_s;                        /* NAN: it lasts to the end of the record */
    double depth;                       /* volts below the limit, at most */
    unsigned times;                     /* it came back and fell again so often, within moments */
    bool ended_by_loss;                 /* samples are missing where it might have come back */
    size_t fall_count;                  /* all of them: feeds_falls() says how many are kept */
    struct feed_fall falls[FEED_FALLS]; /* in between, a loose contact lets it come back */
};

struct feeds;

/* A detector for all feeds of `vehicle`, which it keeps a pointer to. 0 or -ENOMEM. */
int feeds_new(const struct vehicle *vehicle, const struct limits *limits, struct feeds **feeds);

/* Frees; takes NULL. */
void feeds_free(struct feeds *feeds);

/* Takes the next run; 0 or -ENOMEM. */
int feeds_push(struct feeds *feeds, const struct record_run *run);

/* No more runs come; 0 or -ENOMEM. */
int feeds_finish(struct feeds *feeds);

/* The dips in order of their channels, then of time; they belong to `feeds`. */
const struct feed_dip *feeds_dips(const struct feeds *feeds, size_t *count);

/* How many falls of the dip are kept. */
size_t feeds_falls(const struct feed_dip *dip);

/* Dips beyond the most that are kept (a feed that flutters for hours). */
size_t feeds_dropped(const struct feeds *feeds);

/*
 * What feed `channel` must hold, volts; NAN where it cannot be judged. `battery` is the battery's
 * level at that moment (NAN: not known).
 */
double feeds_lower_limit(const struct vehicle *vehicle, const struct limits *limits, size_t channel,
                         double battery);
double feeds_tolerance(const struct vehicle *vehicle, const struct limits *limits, size_t channel);

#endif
