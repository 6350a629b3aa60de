// SPDX-License-Identifier: Apache-2.0
/*
 * starter_judge.h - a start that was asked for and not followed, an engine that did not turn or
 * turned too slowly.
 */
#ifndef CRANKTRAP_STARTER_JUDGE_H
#define CRANKTRAP_STARTER_JUDGE_H

#include "candidate.h"
#include "evidence.h"

/* Adds the window's candidates of the starter; `candidates` holds that of the battery already. */
void starter_judge(const struct evidence *evidence, struct candidates *candidates);

#endif
