// SPDX-License-Identifier: Apache-2.0
/*
 * port.h - the pseudo-terminal that the reader takes for a serial port.
 */
#ifndef CRANKTRAP_FAKEBOARD_PORT_H
#define CRANKTRAP_FAKEBOARD_PORT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

struct port {
    int master; /* -1: none now */
    char path[128];
    const char *link; /* NULL: none wanted */
};

/*
 * Makes a pseudo-terminal, and `link` point to it (another link there is replaced, anything else
 * is not). 0, or -1 after saying on stderr what is wrong.
 */
int port_open(struct port *port, const char *link);

/* True while some program has it open. */
bool port_has_reader(const struct port *port);

/* Bytes read (0: none now). */
size_t port_read(struct port *port, uint8_t *bytes, size_t size);

/* Bytes taken (0: none now). */
size_t port_write(struct port *port, const uint8_t *bytes, size_t count);

/* The reader sees it hang up; the link goes too. */
void port_close(struct port *port);

#endif
