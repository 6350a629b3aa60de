// SPDX-License-Identifier: Apache-2.0
/*
 * checks.h - one window's readings as levels, and the measurements against their limits.
 */
#ifndef CRANKTRAP_CHECKS_H
#define CRANKTRAP_CHECKS_H

#include "survey.h"

/* Adds the window's levels and checks to `analysis` under that attempt's number. 0 or -ENOMEM. */
int checks_add(const struct survey *survey, unsigned attempt, struct analysis *analysis);

/* Did any check of that attempt fail? */
size_t checks_failed(const struct analysis *analysis, unsigned attempt);

#endif
