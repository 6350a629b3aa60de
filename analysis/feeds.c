// SPDX-License-Identifier: Apache-2.0
/*
 * feeds.c - the limits of a feed.
 */
#include "feeds.h"

#include <math.h>

#define SHARE_UNSEEN 0.12 /* of the system's volts: no battery reads so little */

double feeds_tolerance(const struct vehicle *vehicle, const struct limits *limits, size_t channel) {
    double own = vehicle->channels[channel].tolerance;
    return isnan(own) ? limits->feed_tolerance : own;
}

double feeds_lower_limit(const struct vehicle *vehicle, const struct limits *limits, size_t channel,
                         double battery) {
    const struct vehicle_channel *of = &vehicle->channels[channel];
    double supplied = battery - limits->feed_drop_out;
    if (of->nominal_is_battery)
        return supplied;
    double needed = of->nominal - feeds_tolerance(vehicle, limits, channel);
    if (battery < SHARE_UNSEEN * vehicle->system_volts)
        return needed; /* the battery's lead is off: it excuses nothing */
    return supplied < needed ? supplied : needed;
}
