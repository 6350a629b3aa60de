// SPDX-License-Identifier: Apache-2.0
/*
 * returns.c - the limit of a return.
 */
#include "returns.h"

double returns_limit(const struct vehicle *vehicle, const struct limits *limits) {
    return vehicle->ground == GROUND_BATTERY_NEGATIVE ? limits->return_level : limits->return_open;
}
