// SPDX-License-Identifier: Apache-2.0
/*
 * return_judge.h - returns that rose or float, and grounds that rose under everything.
 */
#ifndef CRANKTRAP_RETURN_JUDGE_H
#define CRANKTRAP_RETURN_JUDGE_H

#include "candidate.h"
#include "evidence.h"

/*
 * Adds the window's candidates of all returns and grounds, and to `notes` what was high only for
 * the starter's first surge.
 */
void return_judge(const struct evidence *evidence, struct candidates *candidates,
                  struct analysis_texts *notes);

#endif
