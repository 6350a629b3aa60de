// SPDX-License-Identifier: Apache-2.0
/*
 * supply_judge.h - supplies of control units that fell, and a battery that was too low to crank by.
 */
#ifndef CRANKTRAP_SUPPLY_JUDGE_H
#define CRANKTRAP_SUPPLY_JUDGE_H

#include "candidate.h"
#include "evidence.h"

/*
 * Adds the window's candidates of battery and supplies; `candidates` holds those of the feeds
 * already. To `notes` goes a low battery that did no harm.
 */
void supply_judge(const struct evidence *evidence, struct candidates *candidates,
                  struct analysis_texts *notes);

/* What the battery must hold while cranking at that temperature, volts (facts by temperature). */
double supply_cranking_floor(const struct vehicle *vehicle, const struct limits *limits);

#endif
