// SPDX-License-Identifier: Apache-2.0
/*
 * quantity.c - numbers with units as a person writes them.
 */
#include "quantity.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct unit {
    enum quantity quantity;
    const char *name;
    double factor;
};

static const struct unit units[] = {
    {QUANTITY_VOLTS, "V", 1},
    {QUANTITY_VOLTS, "mV", 1e-3},
    {QUANTITY_AMPERES, "A", 1},
    {QUANTITY_AMPERES, "mA", 1e-3},
    {QUANTITY_SECONDS, "s", 1},
    {QUANTITY_SECONDS, "ms", 1e-3},
    {QUANTITY_SECONDS, "us", 1e-6},
    {QUANTITY_SECONDS, "\u00b5s", 1e-6},
    {QUANTITY_SECONDS, "\u03bcs", 1e-6},
    {QUANTITY_SECONDS, "min", 60},
    {QUANTITY_SECONDS, "h", 3600},
    {QUANTITY_BYTES, "B", 1},
    {QUANTITY_BYTES, "kB", 1e3},
    {QUANTITY_BYTES, "MB", 1e6},
    {QUANTITY_BYTES, "GB", 1e9},
    {QUANTITY_BYTES, "TB", 1e12},
    {QUANTITY_BYTES, "KiB", 1024},
    {QUANTITY_BYTES, "MiB", 1048576},
    {QUANTITY_BYTES, "GiB", 1073741824},
    {QUANTITY_BYTES, "TiB", 1099511627776},
    {QUANTITY_OHMS, "ohm", 1},
    {QUANTITY_OHMS, "kohm", 1e3},
    {QUANTITY_OHMS, "Mohm", 1e6},
    {QUANTITY_OHMS, "k", 1e3},
    {QUANTITY_OHMS, "M", 1e6},
    {QUANTITY_OHMS, "\u03a9", 1},
    {QUANTITY_OHMS, "k\u03a9", 1e3},
    {QUANTITY_OHMS, "M\u03a9", 1e6},
    {QUANTITY_CELSIUS, "C", 1},
    {QUANTITY_CELSIUS, "\u00b0C", 1},
};

const char *quantity_unit(enum quantity quantity) {
    switch (quantity) {
    case QUANTITY_VOLTS:
        return "V";
    case QUANTITY_AMPERES:
        return "A";
    case QUANTITY_SECONDS:
        return "s";
    case QUANTITY_BYTES:
        return "bytes";
    case QUANTITY_OHMS:
        return "ohm";
    case QUANTITY_CELSIUS:
        return "C";
    case QUANTITY_PLAIN:
        break;
    }
    return "";
}

static const char *units_allowed(enum quantity quantity) {
    switch (quantity) {
    case QUANTITY_VOLTS:
        return "V or mV";
    case QUANTITY_AMPERES:
        return "A or mA";
    case QUANTITY_SECONDS:
        return "s, ms, us, min or h";
    case QUANTITY_BYTES:
        return "B, kB, MB, GB, TB (by 1000) or KiB, MiB, GiB, TiB (by 1024)";
    case QUANTITY_OHMS:
        return "ohm, kohm or Mohm";
    case QUANTITY_CELSIUS:
        return "C";
    case QUANTITY_PLAIN:
        break;
    }
    return "no unit";
}

/* Length of the plain decimal number at the beginning: strtod alone would take "inf" and hex. */
static size_t number_length(const char *text) {
    size_t at = text[0] == '-' || text[0] == '+' ? 1 : 0;
    size_t digits = 0;
    for (; isdigit((unsigned char)text[at]); at++)
        digits++;
    if (text[at] == '.')
        for (at++; isdigit((unsigned char)text[at]); at++)
            digits++;
    if (!digits)
        return 0;
    if (text[at] == 'e' || text[at] == 'E') {
        size_t end = at + 1;
        if (text[end] == '-' || text[end] == '+')
            end++;
        if (isdigit((unsigned char)text[end])) {
            while (isdigit((unsigned char)text[end]))
                end++;
            at = end;
        }
    }
    return at;
}

int quantity_read(const char *text, enum quantity quantity, double *value, char *why) {
    size_t length = number_length(text);
    if (!length) {
        snprintf(why, QUANTITY_WHY_SIZE, "not a number");
        return -EINVAL;
    }
    const char *rest = text + length;
    if (rest[0] == ',' && isdigit((unsigned char)rest[1])) {
        snprintf(why, QUANTITY_WHY_SIZE, "decimals are written with a point, not a comma");
        return -EINVAL;
    }
    char digits[64];
    if (length >= sizeof digits) {
        snprintf(why, QUANTITY_WHY_SIZE, "too many digits for a number");
        return -EINVAL;
    }
    memcpy(digits, text, length);
    digits[length] = '\0';
    double number = strtod(digits, NULL);
    while (*rest == ' ' || *rest == '\t')
        rest++;
    double factor = *rest ? (double)NAN : 1.0;
    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++)
        if (units[i].quantity == quantity && strcmp(units[i].name, rest) == 0)
            factor = units[i].factor;
    if (!isfinite(factor)) {
        snprintf(why, QUANTITY_WHY_SIZE, "after the number may stand %s%s", units_allowed(quantity),
                 rest[0] == '#' ? "; a comment here begins with ;" : "");
        return -EINVAL;
    }
    if (!isfinite(number * factor)) {
        snprintf(why, QUANTITY_WHY_SIZE, "too large for a number");
        return -EINVAL;
    }
    *value = number * factor;
    return 0;
}
