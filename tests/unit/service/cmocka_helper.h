// SPDX-License-Identifier: Apache-2.0
/*
 * cmocka_helper.h - cmocka with what it needs before it, in the order it needs it.
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

#endif
