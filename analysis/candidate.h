// SPDX-License-Identifier: Apache-2.0
/*
 * candidate.h - faults that the evidence of one window speaks for, before they are weighed.
 *
 * Each judge adds what it finds on its circuit; order.h finds out which came first and which only
 * followed.
 */
#ifndef CRANKTRAP_CANDIDATE_H
#define CRANKTRAP_CANDIDATE_H

#include "analysis.h"

#include <stdbool.h>
#include <stddef.h>

struct candidate {
    enum fault fault;
    size_t channel, sensor;      /* CHANNEL_NONE: of none */
    double from_s, from_until_s; /* the onset lies in this interval */
    double to_s;                 /* over at; NAN: lasts to the end of what is known */
    double extreme;              /* lowest or highest value reached; NAN */
    const char *unit;            /* of `extreme`; static */
    bool standing;               /* it was so from the first moment on in which it could be seen */
    bool whole_hookup;           /* what contradicts itself makes every reading doubtful */
    enum certainty certainty;
    char *observed; /* what stood on that wire, one plain sentence */
    char *text;     /* the same in short, for the list of findings and as a follower */
    struct analysis_texts because, followers, alternatives, next;
};

struct candidates {
    size_t count;
    struct candidate *list;
    int error; /* -ENOMEM, once memory was short: then the list is not whole */
};

/* A new one for that fault, no more known of it; NULL without memory (`error` is set). */
struct candidate *candidates_add(struct candidates *candidates, enum fault fault, size_t channel,
                                 size_t sensor);

/* Is there one of that fault on that channel? */
bool candidates_have(const struct candidates *candidates, enum fault fault, size_t channel);

/* Frees the list and what is in it; takes a zeroed one. */
void candidates_done(struct candidates *candidates);

#endif
