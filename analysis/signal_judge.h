// SPDX-License-Identifier: Apache-2.0
/*
 * signal_judge.h - signals that fell silent, missed or gained pulses, or swing too little.
 */
#ifndef CRANKTRAP_SIGNAL_JUDGE_H
#define CRANKTRAP_SIGNAL_JUDGE_H

#include "candidate.h"
#include "evidence.h"

/* Adds the window's candidates of all sensors' signals. */
void signal_judge(const struct evidence *evidence, struct candidates *candidates);

#endif
