// SPDX-License-Identifier: Apache-2.0
/*
 * poll_pace.h - when a board that is asked scan by scan is to be asked again, and what was missed.
 *
 * Poll n is due n periods after the first, whatever the polls before it took: so the scans that
 * come have a rate of their own, and one that does not come is a loss of exactly one, in its place.
 * What is missed is told before the next scan; nothing is missed before the first.
 *
 * It reads no clock: times are the caller's, in nanoseconds of one clock.
 */
#ifndef CRANKTRAP_POLL_PACE_H
#define CRANKTRAP_POLL_PACE_H

#include "board.h"

#include <stdbool.h>
#include <stdint.h>

struct poll_pace {
    double rate_hz;
    int64_t first_ns; /* when poll 0 was due */
    uint64_t next;    /* the poll that is to be done next */
    bool any;         /* a scan has come */
    uint64_t missed[BOARD_LOSSES];
};

/* Poll 0 is due now. */
void poll_pace_begin(struct poll_pace *pace, double rate_hz, int64_t now_ns);

/* When the next poll is due. */
int64_t poll_pace_due_ns(const struct poll_pace *pace);

/* The poll has given this scan: tells the sinks what was missed before it, then the scan. Polls
 * that have become due twice over meanwhile are missed, fetched late. */
void poll_pace_scan(struct poll_pace *pace, const struct board_sinks *sinks, const int32_t *counts,
                    int64_t now_ns);

/* The poll has given nothing: it, and those that have become due twice over meanwhile, are missed
 * for that reason. */
void poll_pace_missed(struct poll_pace *pace, enum board_loss reason, int64_t now_ns);

#endif
