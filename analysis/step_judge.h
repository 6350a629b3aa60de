// SPDX-License-Identifier: Apache-2.0
/*
 * step_judge.h - a cam that moved against its crank.
 */
#ifndef CRANKTRAP_STEP_JUDGE_H
#define CRANKTRAP_STEP_JUDGE_H

#include "candidate.h"
#include "evidence.h"

/* Adds the window's candidates: movements while the starter turned, of more than 10 degrees. */
void step_judge(const struct evidence *evidence, struct candidates *candidates);

#endif
