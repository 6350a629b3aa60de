// SPDX-License-Identifier: Apache-2.0
/*
 * drivers.c - the table of all drivers, made from the list in drivers.h.
 */
#include "drivers.h"

#include <string.h>

#define DECLARE(symbol) extern const struct board_driver board_driver_##symbol;
DRIVERS_LIST(DECLARE)
#undef DECLARE

#define ENTRY(symbol) &board_driver_##symbol,
static const struct board_driver *const all[] = {DRIVERS_LIST(ENTRY)};
#undef ENTRY

const struct board_driver *const *drivers_all(size_t *count) {
    *count = sizeof all / sizeof all[0];
    return all;
}

const struct board_driver *drivers_find(const char *name) {
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++)
        if (strcmp(all[i]->name, name) == 0)
            return all[i];
    return NULL;
}
