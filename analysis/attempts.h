// SPDX-License-Identifier: Apache-2.0
/*
 * attempts.h - from the phases and the start requests of a record: the tries to start, their ends.
 */
#ifndef CRANKTRAP_ATTEMPTS_H
#define CRANKTRAP_ATTEMPTS_H

#include "analysis.h"
#include "requests.h"

#include <stdbool.h>
#include <stddef.h>

struct attempt {
    double from_s, to_s;
    bool cranked;      /* false: the request that nothing followed */
    bool begun_before; /* the record begins inside it */
    bool open;         /* the record ends inside it */
    double phase_s;    /* begin of the key-on phase that leads to it */
};

/*
 * The attempts in order of time; `*attempts` is allocated, free it. `phases` are those of the whole
 * record without holes. Requests count only where `can_see_cranking`: a lead watches the starter or
 * the battery, so that its stillness means something. 0 or -ENOMEM.
 */
int attempts_find(const struct analysis_phase *phases, size_t phase_count,
                  const struct request *requests, size_t request_count, bool can_see_cranking,
                  struct attempt **attempts, size_t *count);

/*
 * How it ended. `turned`: a signal showed edges while cranking, so that edges (or their end) can
 * tell what became of it. Sets `*cut_short` where the record ends too soon to know.
 */
enum outcome attempts_outcome(const struct attempt *attempt, const struct analysis_phase *phases,
                              size_t phase_count, const struct limits *limits, double record_to_s,
                              bool turned, bool *cut_short);

#endif
