// SPDX-License-Identifier: Apache-2.0
/*
 * sorted.c - the order of doubles.
 */
#include "sorted.h"

#include <math.h>
#include <stdlib.h>

static int by_value(const void *left, const void *right) {
    double a = *(const double *)left;
    double b = *(const double *)right;
    return (a > b) - (a < b);
}

void sorted_order(double *values, size_t count) {
    if (count > 1)
        qsort(values, count, sizeof *values, by_value);
}

double sorted_median(double *values, size_t count) {
    sorted_order(values, count);
    return count == 0 ? (double)NAN : (values[(count - 1) / 2] + values[count / 2]) / 2.0;
}
