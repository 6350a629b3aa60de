// SPDX-License-Identifier: Apache-2.0
/*
 * speed_curve.h - how fast the engine turned over the course of an attempt, and what tells so.
 */
#ifndef CRANKTRAP_SPEED_CURVE_H
#define CRANKTRAP_SPEED_CURVE_H

#include "analysis.h"
#include "evidence.h"

/*
 * Fills the attempt's stretches of turning, its speeds and the number of cylinders that edges and
 * compressions tell together, from the evidence of its window, once that is finished. Speeds are
 * those of the turn of a wheel around each moment, else of the compressions in the starter's
 * current or the battery. 0 or -ENOMEM; what was added then belongs to the attempt all the same.
 */
int speed_curve_fill(const struct evidence *evidence, struct analysis_attempt *attempt);

#endif
