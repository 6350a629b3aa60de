// SPDX-License-Identifier: Apache-2.0
/*
 * spikes.h - states so short that no tooth made them.
 */
#ifndef CRANKTRAP_SPIKES_H
#define CRANKTRAP_SPIKES_H

#include "evidence.h"

struct spikes {
    size_t count;
    double last_s, first_s; /* the edge before the first, and the first */
    double widest_s, to_s;
    enum phase phase;
};

/*
 * Those of a signal of a Hall sensor while the starter turned. Where an engine catches none is
 * counted: it leaps from speed to speed.
 */
struct spikes spikes_find(const struct evidence *evidence, size_t channel);

#endif
