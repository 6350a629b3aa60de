// SPDX-License-Identifier: Apache-2.0
/*
 * modbus_registers_fuzz.c - registers of any content, in any format, with any ends.
 *
 * Held: no count beyond the ends; only floats can be no number.
 */
#include "modbus_registers.h"

#include <stdlib.h>
#include <string.h>

#define VALUES 60

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool holds) {
    if (!holds)
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    struct modbus_registers how = {0};
    uint16_t registers[2 * VALUES];
    int32_t counts[VALUES];
    if (size < 10)
        return 0;
    how.format = (enum modbus_format)(data[0] % MODBUS_FORMATS);
    how.decimals = data[1] % 7;
    memcpy(&how.lowest, data + 2, sizeof how.lowest);
    memcpy(&how.highest, data + 6, sizeof how.highest);
    if (how.lowest >= how.highest)
        return 0;
    size -= 10;
    if (size > sizeof registers)
        size = sizeof registers;
    memcpy(registers, data + 10, size);
    size_t inputs = size / (2 * modbus_format_size(how.format));
    if (inputs > VALUES)
        inputs = VALUES;
    bool good = modbus_registers_counts(&how, registers, inputs, counts);
    must(good || how.format == MODBUS_FLOAT_32 || how.format == MODBUS_FLOAT_32_SWAPPED);
    for (size_t i = 0; good && i < inputs; i++)
        must(counts[i] >= how.lowest && counts[i] <= how.highest);
    return 0;
}
