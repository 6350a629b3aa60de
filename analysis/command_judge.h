// SPDX-License-Identifier: Apache-2.0
/*
 * command_judge.h - injector and coil commands that stay silent while the engine is turned.
 */
#ifndef CRANKTRAP_COMMAND_JUDGE_H
#define CRANKTRAP_COMMAND_JUDGE_H

#include "candidate.h"
#include "evidence.h"

/* Adds the window's candidates of all command channels. */
void command_judge(const struct evidence *evidence, struct candidates *candidates);

#endif
