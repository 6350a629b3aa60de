// SPDX-License-Identifier: Apache-2.0
/*
 * long_gap.h - silences far longer than any that comes back every turn, where the wheel is not
 * known.
 *
 * What belongs to a wheel, its own gap too, comes back every turn; so the longest period that is
 * seen about once a turn is the wheel's, and one of more than twice that misses pulses. How long a
 * turn takes must be known from elsewhere (compressions, another sensor).
 */
#ifndef CRANKTRAP_LONG_GAP_H
#define CRANKTRAP_LONG_GAP_H

#include "pulses.h"

#include <stddef.h>

struct long_gaps {
    size_t count;
    double last_s, due_s; /* of the first: its last edge before, and when the next was due */
    double resumed_s;     /* the edge behind the last of them */
};

/*
 * Those within [from_s, to_s), in `gaps`; `turn_s`: a turn at the usual speed, seconds. Silences
 * longer than `most_s` are no gaps but a signal that was lost (silence.h), and not counted. 0 or
 * -ENOMEM.
 */
int long_gaps_find(const struct pulses *pulses, double from_s, double to_s, double turn_s,
                   double most_s, struct long_gaps *gaps);

#endif
