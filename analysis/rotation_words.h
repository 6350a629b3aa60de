// SPDX-License-Identifier: Apache-2.0
/*
 * rotation_words.h - does the engine turn, and what tells so: the answers of rotation.h, which
 * stand in the results too.
 */
#ifndef CRANKTRAP_ROTATION_WORDS_H
#define CRANKTRAP_ROTATION_WORDS_H

#include <stddef.h>

enum rotation_state { ROTATION_UNKNOWN, ROTATION_TURNING, ROTATION_NOT_TURNING };

/* What tells; where several do, the first of these. */
enum rotation_source {
    ROTATION_BY_EDGES,
    ROTATION_BY_RIPPLE,
    ROTATION_BY_INERTIA,
    ROTATION_BY_CURRENT, /* a starter that cannot turn */
    ROTATION_BY_REQUEST, /* a start request that nothing follows */
    ROTATION_BY_NOTHING,
};

/* "turning" "not-turning" "unknown" */
const char *rotation_state_name(enum rotation_state state);

/* "edges" "compressions" "inertia" "starter-current" "start-request"; NULL: nothing tells. */
const char *rotation_source_name(enum rotation_source source);

struct rotation_stretch {
    double from_s, to_s;
    enum rotation_state state;
    enum rotation_source source;
    size_t channel; /* that tells; CHANNEL_NONE */
};

#endif
