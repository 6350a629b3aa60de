// SPDX-License-Identifier: Apache-2.0
/*
 * node.h - from any link to the device node behind it. Internal to drivers/transport.
 */
#ifndef CRANKTRAP_NODE_H
#define CRANKTRAP_NODE_H

#include <stdbool.h>
#include <stddef.h>

/* True where the kernel lists `path` ("/dev/ttyUSB0") as a terminal that is no pseudo-terminal. */
bool node_is_serial(const char *path);

/*
 * Follows symbolic links from `path` to a serial node, or to whatever is no link. 0; -ENOENT at a
 * link that leads nowhere, -ELOOP, -ENAMETOOLONG, -EACCES. `node` is untouched on failure.
 */
int node_resolve(const char *path, char *node, size_t size);

#endif
