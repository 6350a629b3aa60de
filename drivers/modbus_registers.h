// SPDX-License-Identifier: Apache-2.0
/*
 * modbus_registers.h - what the 16-bit registers of a Modbus module mean, as counts.
 *
 * The protocol says no more than that a register has 16 bits; how a module puts a signed, a longer
 * or a fractional number into them is its maker's choice, and in its manual.
 */
#ifndef CRANKTRAP_MODBUS_REGISTERS_H
#define CRANKTRAP_MODBUS_REGISTERS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum modbus_format {
    MODBUS_UNSIGNED_16,
    MODBUS_SIGNED_16,
    MODBUS_SIGNED_32, /* two registers, the higher half first */
    MODBUS_SIGNED_32_SWAPPED,
    MODBUS_FLOAT_32, /* IEEE 754, two registers, the higher half first */
    MODBUS_FLOAT_32_SWAPPED,
    MODBUS_FORMATS
};
#define MODBUS_FORMAT_WORDS                                                                        \
    "unsigned-16|signed-16|signed-32|signed-32-swapped|float-32|float-32-swapped"

struct modbus_registers {
    enum modbus_format format;
    unsigned decimals;       /* of a float that are kept: a count is 10^-decimals of it */
    int32_t lowest, highest; /* counts beyond them are given as they: the input is at its end */
};

/* The format of that word, or MODBUS_FORMATS. */
enum modbus_format modbus_format_named(const char *word);

/* Registers that one value takes: 1 or 2. */
size_t modbus_format_size(enum modbus_format format);

/* Lowest and highest count that the format itself can give. */
int32_t modbus_format_lowest(enum modbus_format format);
int32_t modbus_format_highest(enum modbus_format format);

/*
 * Counts of `inputs` values, one after the other in `registers` (inputs * modbus_format_size()
 * of them). False where one is no number (a float's NaN): then `counts` mean nothing.
 */
bool modbus_registers_counts(const struct modbus_registers *how, const uint16_t *registers,
                             size_t inputs, int32_t *counts);

#endif
