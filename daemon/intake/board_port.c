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
#include <stdlib.h>
#include <string.h>

#define BAUD_STANDARD 115200
#define PATH_SIZE     4096

/* Of the USB device behind a serial node. */
static void find_serial(const char *node, char *serial) {
    struct port *ports = NULL;
    size_t count = 0;
    if (ports_list(&ports, &count) < 0)
        count = 0;
    for (size_t i = 0; i < count; i++)
        if (strcmp(ports[i].node, node) == 0)
            (void)snprintf(serial, BOARD_PORT_SERIAL, "%s", ports[i].serial);
    free(ports);
}

static int open_serial(const struct hookup_board *board, struct transport **transport,
                       char *serial) {
    double baud = board->baud;
    if (baud <= 0.0)
        baud = board_setting_number(board->driver, &board->settings, "baud", BAUD_STANDARD);
    const struct transport_settings settings = {
        .baud = (unsigned)baud,
        .keep_modem_lines = board->driver->keep_modem_lines,
    };
    char path[PATH_SIZE];
    int result = board->device != NULL ? ports_resolve(board->device, path, sizeof path) : -ENOENT;
    if (result == 0)
        result = transport_open(path, &settings, transport);
    if (result == 0)
        find_serial(path, serial);
    return result;
}

static int open_usb(const struct hookup_board *board, bool reset, struct transport **transport,
                    char *serial) {
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
    if (result == 0)
        result = transport_open_usb(device.node, &settings, transport);
    if (result == 0)
        (void)snprintf(serial, BOARD_PORT_SERIAL, "%s", device.serial);
    return result;
}

int board_port_open(const struct hookup_board *board, bool reset, struct transport **transport,
                    char serial[BOARD_PORT_SERIAL]) {
    char unwanted[BOARD_PORT_SERIAL];
    if (serial == NULL)
        serial = unwanted;
    serial[0] = '\0';
    return board->driver->bus == BOARD_USB ? open_usb(board, reset, transport, serial)
                                           : open_serial(board, transport, serial);
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
