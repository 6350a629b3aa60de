// SPDX-License-Identifier: Apache-2.0
/*
 * serial_port.h - serial hardware through libserialport. Internal to drivers/transport.
 */
#ifndef CRANKTRAP_SERIAL_PORT_H
#define CRANKTRAP_SERIAL_PORT_H

#include "transport.h"

struct serial_port;

/*
 * Opens, locks and configures a node that node_is_serial(). Errors as transport_open(), and
 * -ENOTTY where libserialport cannot drive it (no modem lines): tty_open() may.
 */
int serial_port_open(const char *node, const struct transport_settings *settings,
                     struct serial_port **port);

/* The file descriptor to poll, read and write; non-blocking. */
int serial_port_descriptor(const struct serial_port *port);

void serial_port_close(struct serial_port *port); /* takes NULL */

#endif
