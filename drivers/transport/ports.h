// SPDX-License-Identifier: Apache-2.0
/*
 * ports.h - which serial ports there are, and which of them a hookup's `device =` means.
 */
#ifndef CRANKTRAP_PORTS_H
#define CRANKTRAP_PORTS_H

#include <stddef.h>
#include <stdint.h>

struct port {
    char node[64];     /* /dev/ttyUSB0 */
    char by_id[256];   /* /dev/serial/by-id/..., or "" */
    char by_path[256]; /* /dev/serial/by-path/..., or "" */
    char serial[64];   /* the USB device's serial number, or "" */
    char description[128];
    uint16_t vendor, product; /* 0: not on USB */
    int access;               /* 0 readable and writable by this user, else -EACCES */
};

/* Lists the serial ports there are now. The array belongs to the caller (free). 0 or -errno. */
int ports_list(struct port **ports, size_t *count);

/*
 * Resolves `device` (a node, any link to one, or a USB serial number) to a path that
 * transport_open() takes. 0; -ENOENT nothing there now; -ENOTUNIQ more than one port has that
 * serial number; -ENAMETOOLONG. `path` is untouched on failure.
 */
int ports_resolve(const char *device, char *path, size_t size);

/*
 * A plain sentence why `device` cannot be used, and what to do: names the node, its mode and
 * group and this user ("/dev/ttyUSB0 is crw-rw---- root:dialout, you are ...: ...").
 */
void ports_explain(const char *device, int error, char *text, size_t size);

#endif
