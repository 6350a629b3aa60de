// SPDX-License-Identifier: Apache-2.0
/*
 * verdict.h - the answer of one window: the judges are heard, their candidates put in order.
 */
#ifndef CRANKTRAP_VERDICT_H
#define CRANKTRAP_VERDICT_H

#include "evidence.h"

/*
 * Adds the window's findings to `analysis` and fills `*verdict`. Call after checks_add(). 0 or
 * -ENOMEM (the verdict is then half filled; analysis_free copes).
 */
int verdict_draw(const struct evidence *evidence, struct analysis *analysis,
                 struct analysis_verdict *verdict);

#endif
