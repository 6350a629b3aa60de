// SPDX-License-Identifier: Apache-2.0
/*
 * clock.h - when was scan n? From the arrival times of its bytes.
 *
 * Bytes come late, never early: the true line lies under all points (scan, arrival). The clock
 * keeps the lower envelope over a sliding window and fits the line that touches it; rate and
 * offset come from it, and every anchor is a point of it. What delays all bytes alike (a bus that
 * never answers in less than a millisecond) cannot be seen, and shifts the line. One thread.
 */
#ifndef CRANKTRAP_CLOCK_H
#define CRANKTRAP_CLOCK_H

#include <stdbool.h>
#include <stdint.h>

struct intake_clock;

/* `claimed_hz` is what the board says of its rate: the slope until enough was seen. 0: it says
 * nothing, and the slope is the arrivals' own from the beginning. 0 or -ENOMEM. */
int intake_clock_new(double claimed_hz, struct intake_clock **clock);
void intake_clock_free(struct intake_clock *clock); /* takes NULL */

/* A new epoch: forgets all points but keeps the rate found so far as the first guess. */
void intake_clock_restart(struct intake_clock *clock);

/* `scans` scans of this epoch (lost ones counted) are complete by `arrival_ns`. */
void intake_clock_arrived(struct intake_clock *clock, uint64_t scans, int64_t arrival_ns);

/* For a board that supplies the time itself: this scan was at this time exactly; nothing is
 * estimated any more. */
void intake_clock_exact(struct intake_clock *clock, uint64_t scan, int64_t elapsed_ns);

/* Elapsed time of scan n of this epoch, counted from 0. */
int64_t intake_clock_time(const struct intake_clock *clock, uint64_t scan);

/* True scans a second, and its deviation from the claim in parts per million (0 without one). */
double intake_clock_rate(const struct intake_clock *clock);
double intake_clock_ppm(const struct intake_clock *clock);

/* How wrong intake_clock_time may be, ns, one standard deviation. */
double intake_clock_error_ns(const struct intake_clock *clock);

/*
 * True when the line has moved by more than the error since the last anchor, or a minute has
 * gone by: time to write a CLOCK chunk. The caller then calls intake_clock_anchored().
 */
bool intake_clock_anchor_due(const struct intake_clock *clock, uint64_t scan);
void intake_clock_anchored(struct intake_clock *clock, uint64_t scan);

#endif
