// SPDX-License-Identifier: Apache-2.0
/*
 * cmocka_helper.h - cmocka with what it needs before it, in the order it needs it; comparing
 * doubles.
 */
#ifndef CRANKTRAP_TESTS_CMOCKA_HELPER_H
#define CRANKTRAP_TESTS_CMOCKA_HELPER_H

// clang-format off
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>
// clang-format on

#include <math.h>
#include <stdbool.h>

static inline bool is_near(double value, double expected, double by) {
    return fabs(value - expected) <= by;
}

/* In double precision, which cmocka's own comparison is not. */
#define assert_near(value, expected, by)                                                           \
    do {                                                                                           \
        double value_ = (value);                                                                   \
        double expected_ = (expected);                                                             \
        if (!is_near(value_, expected_, (by)))                                                     \
            fail_msg("%s is %.12g, not %.12g (+- %g)", #value, value_, expected_, (double)(by));   \
    } while (0)

/* What arithmetic may round of that number. */
static inline double rounding_of(double number) {
    return 1e-12 + 1e-9 * fabs(number);
}

/* The same number, but for rounding. */
#define assert_alike(value, expected) assert_near((value), (expected), rounding_of(expected))

#endif
