// SPDX-License-Identifier: Apache-2.0
/*
 * cross_talk.h - how much of its neighbour an input of a multiplexed converter shows.
 *
 * Where the source of an input is too high-ohmic for the time that the converter gives it, a rest
 * of the voltage converted just before stays on the hold capacitor. So: whenever the input before
 * it steps between two scans, by how much does this one step in the same scan? The median of that
 * share over many steps is not moved by what the input does by itself at other moments. What moves
 * both leads alike (a short, a common ground) looks the same: the share is a bound, not a proof.
 *
 * The first input of a scan comes after the last one of the scan before.
 */
#ifndef CRANKTRAP_CROSS_TALK_H
#define CRANKTRAP_CROSS_TALK_H

#include "record.h"

#define CROSS_TALK_LEAST 8 /* steps, or nothing is said; common practice, no source */

struct cross_talk;

/*
 * Of stream `stream` with `inputs` inputs. `least_step[input]`, counts: what a step of that input
 * is at least; NAN: none of it counts. Copied. 0 or -ENOMEM.
 */
int cross_talk_new(size_t stream, size_t inputs, const double *least_step,
                   struct cross_talk **cross_talk);
void cross_talk_free(struct cross_talk *cross_talk); /* takes NULL */

/* The next run of any stream; those of others, or with other inputs, are passed over. */
void cross_talk_push(struct cross_talk *cross_talk, const struct record_run *run);

/*
 * Share of the step of the input before `input` that it shows (-1..1, counts for counts), and twice
 * the standard error of that median. The number of steps seen; below CROSS_TALK_LEAST both are NAN.
 */
size_t cross_talk_read(const struct cross_talk *cross_talk, size_t input, double *share,
                       double *doubt);

#endif
