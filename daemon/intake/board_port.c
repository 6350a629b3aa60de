// SPDX-License-Identifier: Apache-2.0
/*
 * board_port.c - finds and opens the port of a hookup's board, on whichever bus it is.
 */
#include "board_port.h"

#include "board_file.h"
#include "ports.h"
#include "usb_devices.h"

#include <errno.h>
#include <stdio.h>

#define BAUD_STANDARD 115200
#define PATH_SIZE     4096

static int open_serial(const struct hookup_board *board, struct transport **transport) {
    double baud = board->baud;
    if (baud <= 0.0)
        baud = board_setting_number(board->driver, &board->settings, "baud", BAUD_STANDARD);
    const struct transport_settings settings = {
        .baud = (unsigned)baud,
        .keep_modem_lines = board->driver->keep_modem_lines,
    };
    char path[PATH_SIZE];
    int result = board->device != NULL ? ports_resolve(board->device, path, sizeof path) : -ENOENT;
    return result < 0 ? result : transport_open(path, &settings, transport);
}

static int open_usb(const struct hookup_board *board, bool reset, struct transport **transport) {
    const struct board_file *file = board->settings.file;
    double rate_hz = board_setting_number(board->driver, &board->settings, "rate", 0.0);
    const struct transport_usb settings = {
        .usb = &file->usb,
        .start = &file->start,
        .stop = &file->stop,
        .bytes_per_s = board_file_bytes_per_s(file, rate_hz),
        .reset = reset,
    };
    struct usb_device device;
    int result = usb_devices_find(file->ids, board->device, &device);
    return result < 0 ? result : transport_open_usb(device.node, &settings, transport);
}

int board_port_open(const struct hookup_board *board, bool reset, struct transport **transport) {
    return board->driver->bus == BOARD_USB ? open_usb(board, reset, transport)
                                           : open_serial(board, transport);
}

void board_port_name(const struct hookup_board *board, char *name, size_t size) {
    const struct board_file *file = board->settings.file;
    if (board->device != NULL)
        (void)snprintf(name, size, "%s", board->device);
    else if (file != NULL && file->ids != NULL)
        (void)snprintf(name, size, "USB board %04x:%04x", file->ids->vendor, file->ids->product);
    else
        (void)snprintf(name, size, "the board");
}

void board_port_explain(const struct hookup_board *board, int error, char *text, size_t size) {
    char name[256];
    if (board->driver->bus == BOARD_USB) {
        usb_devices_explain(board->settings.file->ids, board->device, error, text, size);
        return;
    }
    board_port_name(board, name, sizeof name);
    ports_explain(name, error, text, size);
}
