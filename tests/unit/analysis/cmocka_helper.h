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

/* In double precision, which cmocka's own comparison is not. */
#define assert_near(value, expected, by)                                                           \
    do {                                                                                           \
        double value_ = (value);                                                                   \
        double expected_ = (expected);                                                             \
        if (!(fabs(value_ - expected_) <= (by)))                                                   \
            fail_msg("%s is %.9g, not %.9g (+- %g)", #value, value_, expected_, (double)(by));     \
    } while (0)

#endif
