// SPDX-License-Identifier: Apache-2.0
/*
 * board_port.h - from a board of a hookup to an open port: what its device, driver and board file
 * say, put together for the transport. Any thread; nothing is kept.
 */
#ifndef CRANKTRAP_BOARD_PORT_H
#define CRANKTRAP_BOARD_PORT_H

#include "hookup.h"
#include "transport.h"

#include <stdbool.h>
#include <stddef.h>

#define BOARD_PORT_SERIAL 64

/*
 * Finds the device of a stream board and opens it, after a reset on the bus where `reset` says so
 * (USB only: a last resort). Errors as ports_resolve(), usb_devices_find(), transport_open() and
 * transport_open_usb(); `*transport` is untouched then. `serial`, unless NULL, gets the serial
 * number of the USB device, "" where it has none.
 */
int board_port_open(const struct hookup_board *board, bool reset, struct transport **transport,
                    char serial[BOARD_PORT_SERIAL]);

/* What to call its device in messages: as the hookup has it, else by its USB id. */
void board_port_name(const struct hookup_board *board, char *name, size_t size);

/* A plain sentence why it cannot be opened, and what to do. */
void board_port_explain(const struct hookup_board *board, int error, char *text, size_t size);

#endif
