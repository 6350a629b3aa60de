// SPDX-License-Identifier: Apache-2.0
/*
 * modbus_registers.c - registers to counts.
 */
#include "modbus_registers.h"

#include <math.h>
#include <string.h>

enum modbus_format modbus_format_named(const char *word) {
    static const char *const words[] = {"unsigned-16",       "signed-16", "signed-32",
                                        "signed-32-swapped", "float-32",  "float-32-swapped"};
    for (size_t i = 0; i < MODBUS_FORMATS; i++)
        if (strcmp(words[i], word) == 0)
            return (enum modbus_format)i;
    return MODBUS_FORMATS;
}

size_t modbus_format_size(enum modbus_format format) {
    return format == MODBUS_UNSIGNED_16 || format == MODBUS_SIGNED_16 ? 1 : 2;
}

int32_t modbus_format_lowest(enum modbus_format format) {
    return format == MODBUS_UNSIGNED_16 ? 0 : format == MODBUS_SIGNED_16 ? INT16_MIN : INT32_MIN;
}

int32_t modbus_format_highest(enum modbus_format format) {
    return format == MODBUS_UNSIGNED_16 ? UINT16_MAX
           : format == MODBUS_SIGNED_16 ? INT16_MAX
                                        : INT32_MAX;
}

/* The value as a number of counts; NAN where it is none. */
static double value_of(const struct modbus_registers *how, const uint16_t *at) {
    bool swapped =
        how->format == MODBUS_SIGNED_32_SWAPPED || how->format == MODBUS_FLOAT_32_SWAPPED;
    if (how->format == MODBUS_UNSIGNED_16)
        return at[0];
    if (how->format == MODBUS_SIGNED_16)
        return (int16_t)at[0];
    uint32_t bits = (uint32_t)at[swapped] << 16 | at[!swapped];
    if (how->format == MODBUS_SIGNED_32 || how->format == MODBUS_SIGNED_32_SWAPPED)
        return (int32_t)bits;
    float number;
    memcpy(&number, &bits, sizeof number);
    return round((double)number * pow(10, how->decimals));
}

bool modbus_registers_counts(const struct modbus_registers *how, const uint16_t *registers,
                             size_t inputs, int32_t *counts) {
    size_t size = modbus_format_size(how->format);
    for (size_t i = 0; i < inputs; i++) {
        double value = value_of(how, registers + i * size);
        if (isnan(value))
            return false;
        counts[i] = (int32_t)fmin(fmax(value, how->lowest), how->highest);
    }
    return true;
}
