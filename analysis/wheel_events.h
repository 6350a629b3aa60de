// SPDX-License-Identifier: Apache-2.0
/*
 * wheel_events.h - what on a followed wheel's signal does not belong to it, or should be there.
 */
#ifndef CRANKTRAP_WHEEL_EVENTS_H
#define CRANKTRAP_WHEEL_EVENTS_H

#include "wheel_track.h"

/*
 * Fills the events of a track whose path is known. `times` are all edges of the direction that
 * times. 0 or -ENOMEM.
 */
int wheel_events_find(const struct wheel_signal *signal, const double *times, size_t count,
                      struct wheel_track *track);

#endif
