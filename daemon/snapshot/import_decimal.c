// SPDX-License-Identifier: Apache-2.0
/*
 * import_decimal.c - a decimal number, exactly.
 */
#include "import_decimal.h"

#include <errno.h>
#include <math.h>
#include <stdbool.h>

#define DIGITS_MOST   18 /* that an int64_t surely holds */
#define EXPONENT_MOST 300

/* What has been read so far. Zeros are held back until a digit shows that they matter. */
struct reader {
    struct import_decimal decimal;
    int digits; /* in the mantissa */
    int zeros;  /* held back */
};

static void add_digit(struct reader *reader, int digit) {
    if (digit == 0) {
        reader->zeros += reader->digits > 0;
        return;
    }
    if (reader->digits + reader->zeros + 1 > DIGITS_MOST) {
        reader->decimal.rounded = 1;
        reader->zeros++; /* a place of the number all the same */
        return;
    }
    for (; reader->zeros > 0; reader->zeros--, reader->digits++)
        reader->decimal.mantissa *= 10;
    reader->decimal.mantissa = reader->decimal.mantissa * 10 + digit;
    reader->digits++;
}

static bool is_digit(char byte) {
    return byte >= '0' && byte <= '9';
}

/* "e-3" at text[at]; moves `*at` behind it. */
static int read_exponent(const char *text, size_t length, size_t *at, int *exponent) {
    size_t i = *at + 1;
    bool negative = i < length && text[i] == '-';
    if (i < length && (text[i] == '-' || text[i] == '+'))
        i++;
    if (i == length || !is_digit(text[i]))
        return -EINVAL;
    int value = 0;
    for (; i < length && is_digit(text[i]); i++)
        if (value <= EXPONENT_MOST)
            value = value * 10 + (text[i] - '0');
    *exponent = negative ? -value : value;
    *at = i;
    return 0;
}

int import_decimal_read(const char *text, size_t length, struct import_decimal *decimal) {
    struct reader reader = {0};
    size_t at = length > 0 && (text[0] == '-' || text[0] == '+') ? 1 : 0;
    bool any = false;
    int decimals = 0; /* digits behind the point */
    bool point = false;
    for (; at < length && (is_digit(text[at]) || (text[at] == '.' && !point)); at++) {
        if (text[at] == '.') {
            point = true;
            continue;
        }
        any = true;
        decimals += point;
        add_digit(&reader, text[at] - '0');
        if (decimals > IMPORT_DECIMAL_PLACES || reader.zeros > IMPORT_DECIMAL_PLACES)
            return -ERANGE;
    }
    int exponent = 0;
    if (any && at < length && (text[at] == 'e' || text[at] == 'E')) {
        int result = read_exponent(text, length, &at, &exponent);
        if (result < 0)
            return result;
    }
    if (!any || at != length)
        return -EINVAL;
    *decimal = reader.decimal;
    if (decimal->mantissa == 0) {
        decimal->exponent = 0;
        return 0;
    }
    exponent += reader.zeros - decimals;
    if (exponent > EXPONENT_MOST || exponent < -EXPONENT_MOST)
        return -ERANGE;
    decimal->exponent = exponent;
    if (text[0] == '-')
        decimal->mantissa = -decimal->mantissa;
    return 0;
}

int import_decimal_whole(const struct import_decimal *decimal, int shift, int64_t *whole) {
    int64_t value = decimal->mantissa;
    if (value == 0) {
        *whole = 0;
        return 0;
    }
    /* The mantissa has no 0 at its end: what is left behind the point is not whole. */
    int power = decimal->exponent + shift;
    if (power < 0)
        return -ERANGE;
    for (; power > 0; power--) {
        if (value > IMPORT_DECIMAL_MOST / 10 || value < -IMPORT_DECIMAL_MOST / 10)
            return -ERANGE;
        value *= 10;
    }
    *whole = value;
    return 0;
}

double import_decimal_double(const struct import_decimal *decimal) {
    /* Powers of ten up to 10^22 are doubles: one rounding in the usual case. */
    double mantissa = (double)decimal->mantissa;
    return decimal->exponent < 0 ? mantissa / pow(10, -decimal->exponent)
                                 : mantissa * pow(10, decimal->exponent);
}
