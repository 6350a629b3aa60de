// SPDX-License-Identifier: Apache-2.0
/*
 * drivers.h - the list of drivers. One line a driver: the file drivers/<name>.c defines
 * `const struct board_driver board_driver_<symbol>`; the name with '-' is in the struct.
 */
#ifndef CRANKTRAP_DRIVERS_H
#define CRANKTRAP_DRIVERS_H

#include "board.h"

#include <stddef.h>

#define DRIVERS_LIST(DRIVER)                                                                       \
    DRIVER(sim)                                                                                    \
    DRIVER(text_serial)                                                                            \
    DRIVER(packet_serial)                                                                          \
    DRIVER(layout_serial)                                                                          \
    DRIVER(usb_bulk)                                                                               \
    DRIVER(usb_iso)                                                                                \
    DRIVER(modbus_rtu)                                                                             \
    DRIVER(usb_tmc)                                                                                \
    DRIVER(iio)

/* Every driver, `*count` of them; static. */
const struct board_driver *const *drivers_all(size_t *count);

/* The driver of that name ("packet-serial"), or NULL. */
const struct board_driver *drivers_find(const char *name);

#endif
