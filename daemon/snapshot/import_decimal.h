// SPDX-License-Identifier: Apache-2.0
/*
 * import_decimal.h - a decimal number, exactly: mantissa * 10^exponent. Pure.
 */
#ifndef CRANKTRAP_IMPORT_DECIMAL_H
#define CRANKTRAP_IMPORT_DECIMAL_H

#include <stddef.h>
#include <stdint.h>

struct import_decimal {
    int64_t
        mantissa; /* no 0 at its end (so that `exponent` is as large as can be); 0 is 0 * 10^0 */
    int exponent;
    int rounded; /* not 0: more than 18 digits; those beyond were cut off */
};

/*
 * Reads "[+-]digits[.digits][e[+-]digits]", the whole of it. 0; -EINVAL where it is no such
 * number ("", "nan", "inf", "4,98" ...); -ERANGE for an exponent beyond +-300 or more
 * than IMPORT_DECIMAL_PLACES digits behind the point.
 */
#define IMPORT_DECIMAL_PLACES 1000
int import_decimal_read(const char *text, size_t length, struct import_decimal *decimal);

/*
 * The whole number mantissa * 10^(exponent + shift), exactly. 0, or -ERANGE where it is not whole
 * or not within +-IMPORT_DECIMAL_MOST (`*whole` is then untouched).
 */
#define IMPORT_DECIMAL_MOST 1000000000000000000LL
int import_decimal_whole(const struct import_decimal *decimal, int shift, int64_t *whole);

/* The nearest double, or one next to it. */
double import_decimal_double(const struct import_decimal *decimal);

#endif
