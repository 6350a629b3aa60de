// SPDX-License-Identifier: Apache-2.0
/*
 * closest.h - which known word a misspelt one was meant to be. Internal to hookup.
 */
#ifndef CRANKTRAP_CLOSEST_H
#define CRANKTRAP_CLOSEST_H

#include <stddef.h>

/*
 * How many letters must be added, left out, changed or swapped with their neighbour to turn one
 * into the other (optimal string alignment distance); words above 48 letters: SIZE_MAX.
 */
size_t closest_distance(const char *left, const char *right);

/* The candidate's distance is small enough for "did you mean". */
int closest_enough(const char *read, size_t distance);

#endif
