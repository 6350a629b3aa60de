// SPDX-License-Identifier: Apache-2.0
/*
 * sorted.h - numbers in order of size, and the one in their middle.
 */
#ifndef CRANKTRAP_SORTED_H
#define CRANKTRAP_SORTED_H

#include <stddef.h>

/* Puts `values` in ascending order; none of them is NAN. */
void sorted_order(double *values, size_t count);

/* The median, of an even number the mean of the middle two; orders `values`. NAN: there are none.
 */
double sorted_median(double *values, size_t count);

#endif
