// SPDX-License-Identifier: Apache-2.0
/*
 * returns.h - what a sensor's return may rise to.
 */
#ifndef CRANKTRAP_RETURNS_H
#define CRANKTRAP_RETURNS_H

#include "circuit_limits.h"
#include "vehicle.h"

/*
 * Volts above the board's ground: the limit of a return where that is at the battery's negative
 * post; elsewhere, where the starter's current lifts or lowers it by tenths, only what no ground in
 * order explains: a return that floats.
 */
double returns_limit(const struct vehicle *vehicle, const struct limits *limits);

#endif
