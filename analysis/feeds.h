// SPDX-License-Identifier: Apache-2.0
/*
 * feeds.h - what a sensor's feed must hold.
 *
 * A feed is judged against its sensor's return. It must hold its nominal less the tolerance, or,
 * where the battery leaves less at that moment, the battery less the regulator's drop-out; a feed
 * that follows the battery by design must hold the battery less the drop-out.
 */
#ifndef CRANKTRAP_FEEDS_H
#define CRANKTRAP_FEEDS_H

#include "circuit_limits.h"
#include "vehicle.h"

#include <stddef.h>

/*
 * What feed `channel` must hold, volts; NAN where it cannot be judged. `battery` is the battery's
 * level at that moment (NAN: not known).
 */
double feeds_lower_limit(const struct vehicle *vehicle, const struct limits *limits, size_t channel,
                         double battery);

/* How far it may be from its nominal, volts. */
double feeds_tolerance(const struct vehicle *vehicle, const struct limits *limits, size_t channel);

#endif
