// SPDX-License-Identifier: Apache-2.0
/*
 * pulse_judge.h - pulses that a signal left out, and spikes that are no tooth's.
 */
#ifndef CRANKTRAP_PULSE_JUDGE_H
#define CRANKTRAP_PULSE_JUDGE_H

#include "candidate.h"
#include "evidence.h"

/* Adds the window's candidates from the wheels as they were followed. */
void pulse_judge(const struct evidence *evidence, struct candidates *candidates);

#endif
