// SPDX-License-Identifier: Apache-2.0
/*
 * quantity.h - numbers with units as a person writes them. Internal to hookup.
 */
#ifndef CRANKTRAP_QUANTITY_H
#define CRANKTRAP_QUANTITY_H

#include <stddef.h>

enum quantity {
    QUANTITY_PLAIN,   /* no unit at all */
    QUANTITY_VOLTS,   /* V, mV */
    QUANTITY_AMPERES, /* A, mA */
    QUANTITY_SECONDS, /* s, ms, us, min, h */
    QUANTITY_BYTES,   /* B, kB, MB, GB, TB by 1000; KiB, MiB, GiB, TiB by 1024 */
    QUANTITY_OHMS,    /* ohm, kohm, Mohm, k, M */
    QUANTITY_CELSIUS, /* C */
};

#define QUANTITY_WHY_SIZE 160

/*
 * Reads "20 s", "300ms", "0.1" (the base unit where none stands there) into `*value`, in the base
 * unit. 0, or -EINVAL with a plain sentence in `why` (QUANTITY_WHY_SIZE bytes). Decimals have a
 * point; the program must run in the C numeric locale (it never calls setlocale).
 */
int quantity_read(const char *text, enum quantity quantity, double *value, char *why);

/* "volts", "seconds" ...: the base unit, for messages; "" for a plain number. */
const char *quantity_unit(enum quantity quantity);

#endif
