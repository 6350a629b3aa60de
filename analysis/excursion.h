// SPDX-License-Identifier: Apache-2.0
/*
 * excursion.h - a level that leaves its allowed range for long enough, and comes back. Incremental.
 *
 * Works on raw counts with limits scaled beforehand: one comparison a sample. Used for feed dips
 * and for level triggers alike. Hysteresis: out beyond the limit, back inside it by `hysteresis`.
 */
#ifndef CRANKTRAP_EXCURSION_H
#define CRANKTRAP_EXCURSION_H

#include "vehicle.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct excursion_range {
    double low;        /* in the channel's unit; -INFINITY: no lower limit */
    double high;       /* INFINITY: no upper limit */
    double hysteresis; /* same unit, >= 0 */
    double minimum_s;  /* shorter ones are not reported; at least three scans hold anyway */
};

struct excursion_event {
    bool begins;   /* true: it has lasted minimum_s now; false: it is over (or samples ended) */
    bool low;      /* left the range at its low side */
    double from_s; /* between the last sample inside and the first outside: */
    double from_until_s; /*   the onset lies in [from_s, from_until_s]; where the samples begin
                              outside, both are the first one's time */
    double to_s;         /* first sample back inside; NAN while it lasts */
    double extreme;      /* lowest (or highest) value so far, in the channel's unit */
};

struct excursion; /* one channel's detector */

/* 0 or -ENOMEM. The scale is copied. */
int excursion_new(const struct scale *scale, const struct excursion_range *range,
                  struct excursion **excursion);

/* Frees; takes NULL. */
void excursion_free(struct excursion *excursion);

/* Changes the range from the next sample on (a limit that depends on the phase). */
void excursion_set_range(struct excursion *excursion, const struct excursion_range *range);

/*
 * Looks at `count` samples that begin at `time_s`. `report` is called for every event, in order.
 */
void excursion_push(struct excursion *excursion, const int32_t *counts, size_t count, double time_s,
                    double period_s,
                    void (*report)(void *context, const struct excursion_event *event),
                    void *context);

/* Samples end or are missing here: an open excursion is reported as over, with `to_s` NAN. */
void excursion_break(struct excursion *excursion,
                     void (*report)(void *context, const struct excursion_event *event),
                     void *context);

#endif
