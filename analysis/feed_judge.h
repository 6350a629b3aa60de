// SPDX-License-Identifier: Apache-2.0
/*
 * feed_judge.h - feeds that fell, that follow the battery, or that are steadily wrong.
 */
#ifndef CRANKTRAP_FEED_JUDGE_H
#define CRANKTRAP_FEED_JUDGE_H

#include "candidate.h"
#include "evidence.h"

/* Adds the window's candidates of all feeds. */
void feed_judge(const struct evidence *evidence, struct candidates *candidates);

#endif
