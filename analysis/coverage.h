// SPDX-License-Identifier: Apache-2.0
/*
 * coverage.h - how much of what could be at fault was watched and judged, in sentences.
 */
#ifndef CRANKTRAP_COVERAGE_H
#define CRANKTRAP_COVERAGE_H

#include "candidate.h"
#include "survey.h"

enum coverage { COVERED_NOTHING, COVERED_PARTLY, COVERED_ALL };

/* How much was judged good while the starter turned (without an attempt: in any phase). */
enum coverage coverage_of(const struct survey *survey, unsigned attempt,
                          const struct analysis *analysis);

/* A sentence in `because` for each check that passed. `*error`: -ENOMEM where memory is short. */
void coverage_say_good(const struct survey *survey, unsigned attempt,
                       const struct analysis *analysis, struct analysis_verdict *verdict,
                       int *error);

/*
 * A sentence in `because` for each check that failed, but on channels that a candidate tells of:
 * none is passed over in silence.
 */
void coverage_say_failed(const struct survey *survey, const struct candidates *candidates,
                         unsigned attempt, const struct analysis *analysis,
                         struct analysis_verdict *verdict, int *error);

/* What no lead was on, and what could not be judged, in `not_tested`. */
void coverage_say_not_tested(const struct survey *survey, unsigned attempt,
                             const struct analysis *analysis, struct analysis_verdict *verdict,
                             int *error);

#endif
