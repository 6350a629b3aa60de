// SPDX-License-Identifier: Apache-2.0
/*
 * difference.h - one lead against another, sample by sample: feed or signal against its return.
 */
#ifndef CRANKTRAP_DIFFERENCE_H
#define CRANKTRAP_DIFFERENCE_H

#include "record.h"

#include <stddef.h>
#include <stdint.h>

/* Differences are held as whole counts of this many volts, whatever the leads' own scales. */
#define DIFFERENCE_VOLTS 1e-5

/* The scale of such counts. */
struct scale difference_scale(void);

/*
 * The return that feed or signal `channel` is judged against: its sensor's, where that is sampled
 * by the same board; else CHANNEL_NONE.
 */
size_t difference_return(const struct vehicle *vehicle, size_t channel);

/*
 * Writes channel minus `from` (CHANNEL_NONE: minus nothing) of the scans [first, first + count) of
 * a run. Both must be on the run's stream.
 */
void difference_make(const struct vehicle *vehicle, const struct record_run *run, size_t channel,
                     size_t from, size_t first, size_t count, int32_t *difference);

/* One value in these counts, clamped to what they hold. */
int32_t difference_counts(double volts);

#endif
