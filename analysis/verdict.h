// SPDX-License-Identifier: Apache-2.0
/*
 * verdict.h - the answer of one window, built from its dips, checks and coverage.
 */
#ifndef CRANKTRAP_VERDICT_H
#define CRANKTRAP_VERDICT_H

#include "survey.h"

/*
 * Adds the window's findings to `analysis` and fills `*verdict`. Call after checks_add(). 0 or
 * -ENOMEM (the verdict is then half filled; analysis_free copes).
 */
int verdict_draw(const struct survey *survey, unsigned attempt, enum outcome outcome,
                 struct analysis *analysis, struct analysis_verdict *verdict);

#endif
