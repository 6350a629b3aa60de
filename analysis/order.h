// SPDX-License-Identifier: Apache-2.0
/*
 * order.h - which candidate came first, by intervals; what only followed.
 *
 * An onset is known within an interval. Where two intervals overlap the order is not known: then
 * physics ranks (the order of the faults' table), and the answer is at most likely.
 */
#ifndef CRANKTRAP_ORDER_H
#define CRANKTRAP_ORDER_H

#include "candidate.h"

/* Can `cause` take `effect` along: a feed its sensor's signal, a supply all feeds, ...? */
bool order_takes_along(const struct vehicle *vehicle, const struct candidate *cause,
                       const struct candidate *effect);

/* Was one before the other, beyond what their intervals leave open? */
bool order_before(const struct candidate *one, const struct candidate *other);

/*
 * The candidate that let go first; NULL where there is none. `*open` is set where another, that it
 * does not take along, may as well have been the first. A suspect lead comes before all that rests
 * on it, and behind what does not.
 */
const struct candidate *order_first(const struct vehicle *vehicle,
                                    const struct candidates *candidates, bool *open);

#endif
