// SPDX-License-Identifier: Apache-2.0
/*
 * circuit_limits.c - the rows of the limits' table, their defaults, and setting one by name.
 */
#include "circuit_limits.h"

#include <errno.h>
#include <math.h>
#include <stdbool.h>
#include <string.h>

static const struct limits_row rows[] = {
#define LIMIT(field, name, value, unit, source)                                                    \
    {name, unit, source, value, offsetof(struct limits, field)},
    LIMITS_TABLE(LIMIT)
#undef LIMIT
};

#define ROW_COUNT (sizeof(rows) / sizeof(rows[0]))

/* The double of `row` inside a struct limits. */
static double *field_of(struct limits *limits, const struct limits_row *row) {
    return (double *)(void *)((char *)limits + row->offset);
}

const struct limits_row *limits_rows(size_t *count) {
    *count = ROW_COUNT;
    return rows;
}

/* What a battery of twice the volts has twice of. */
static bool doubles_at_24_volts(const struct limits_row *row) {
    bool of_battery = strncmp(row->name, "cranking-", 9) == 0 ||
                      strncmp(row->name, "charging-", 9) == 0 ||
                      strcmp(row->name, "unit-floor") == 0;
    return of_battery && strcmp(row->unit, "V") == 0;
}

struct limits limits_default(double system_volts) {
    struct limits limits;
    for (size_t i = 0; i < ROW_COUNT; i++) {
        double factor = system_volts >= 18.0 && doubles_at_24_volts(&rows[i]) ? 2.0 : 1.0;
        *field_of(&limits, &rows[i]) = rows[i].standard * factor;
    }
    return limits;
}

int limits_set(struct limits *limits, const char *name, double value) {
    for (size_t i = 0; i < ROW_COUNT; i++) {
        if (strcmp(rows[i].name, name) != 0)
            continue;
        if (!isfinite(value) || value < 0.0)
            return -ERANGE;
        *field_of(limits, &rows[i]) = value;
        return 0;
    }
    return -ENOENT;
}

const char *limits_source(size_t offset) {
    for (size_t i = 0; i < ROW_COUNT; i++) {
        if (rows[i].offset == offset)
            return rows[i].source;
    }
    return NULL;
}
