// SPDX-License-Identifier: Apache-2.0
/*
 * udev_write.h - the udev rules and the hwdb of drivers and board files, as text.
 *
 * udev reads one rule a line; a file is numbered 65: after 60, where ids and serial numbers are
 * known, and before 73, where rights are given out, and before ModemManager's 77.
 */
#ifndef CRANKTRAP_UDEV_WRITE_H
#define CRANKTRAP_UDEV_WRITE_H

#include "board.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

/* One kind of board with the ids it is known by. */
struct udev_board {
    const char *name; /* of the board file or driver: letters, digits, '-', '_', '.' */
    const char *summary;
    bool usb; /* opened as a USB device; else as the serial port of one */
    const struct board_id *ids;
};

/* The name may stand in a rule, a link and a file name. */
bool udev_name_sound(const char *name);

void udev_write_rules(const struct udev_board *boards, size_t count, FILE *stream);
void udev_write_hwdb(const struct udev_board *boards, size_t count, FILE *stream);

#endif
