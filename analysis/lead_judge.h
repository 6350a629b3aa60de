// SPDX-License-Identifier: Apache-2.0
/*
 * lead_judge.h - readings that contradict each other: then a lead is suspect before any circuit.
 */
#ifndef CRANKTRAP_LEAD_JUDGE_H
#define CRANKTRAP_LEAD_JUDGE_H

#include "candidate.h"
#include "evidence.h"

/* Adds a candidate for each contradiction of the window, each with its own sentence. */
void lead_judge(const struct evidence *evidence, struct candidates *candidates);

#endif
