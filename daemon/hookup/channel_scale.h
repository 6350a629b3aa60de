// SPDX-License-Identifier: Apache-2.0
/*
 * channel_scale.h - the scale of a channel as its section gives it. Internal to hookup.
 */
#ifndef CRANKTRAP_CHANNEL_SCALE_H
#define CRANKTRAP_CHANNEL_SCALE_H

#include "reading.h"

/*
 * Reads divider, volts-per-count, points or amps-per-volt, and offset, into the channel's scale
 * (and `fit`, where the board's own volts per count are still missing). The channel's unit must
 * be there already.
 */
void channel_scale_read(struct reading *reading, const struct document_section *section,
                        struct vehicle_channel *channel, struct channel_fit *fit,
                        enum hookup_scale *kind);

#endif
