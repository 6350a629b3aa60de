// SPDX-License-Identifier: Apache-2.0
/*
 * ports_explain.c - why a port cannot be used, and what to do about it, in a plain sentence.
 */
#include "node.h"
#include "ports.h"
#include "rights.h"

#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Lists the nodes of all ports with that serial number. */
static void explain_twins(const char *serial, char *text, size_t size) {
    struct port *ports = NULL;
    size_t count = 0, used;
    (void)snprintf(text, size, "more than one port has the serial number %s:", serial);
    if (ports_list(&ports, &count) < 0)
        count = 0;
    for (size_t i = 0; i < count; i++) {
        used = strlen(text);
        if (strcmp(ports[i].serial, serial) == 0)
            (void)snprintf(text + used, size - used, " %s", ports[i].node);
    }
    free(ports);
    used = strlen(text);
    (void)snprintf(text + used, size - used,
                   "; say which by its link in /dev/serial/by-path instead");
}

static void explain_absence(const char *device, char *text, size_t size) {
    if (strchr(device, '/') == NULL)
        (void)snprintf(text, size,
                       "no port has the USB serial number %s now: is the board plugged in? "
                       "`cranktrap boards` lists what is",
                       device);
    else
        (void)snprintf(text, size, "%s is not there now: is the board plugged in and powered?",
                       device);
}

void ports_explain(const char *device, int error, char *text, size_t size) {
    char node[PATH_MAX];
    if (size == 0)
        return;
    if (error != -ENOTUNIQ && ports_resolve(device, node, sizeof node) == 0)
        device = node;

    switch (error) {
    case -ENOENT:
        explain_absence(device, text, size);
        break;
    case -ENOTUNIQ:
        explain_twins(device, text, size);
        break;
    case -EACCES:
    case -EPERM:
        rights_explain(device, text, size);
        break;
    case -EBUSY:
        (void)snprintf(text, size,
                       "%s is in use by another program: close that one (fuser -v %s "
                       "names it)",
                       device, device);
        break;
    case -ENOTSUP:
        (void)snprintf(text, size,
                       "%s cannot do that baud rate: give one that it and the board "
                       "both can",
                       device);
        break;
    case -EINVAL:
        (void)snprintf(text, size,
                       "%s is no serial port, pseudo-terminal or FIFO: see device = in "
                       "the hookup",
                       device);
        break;
    case -ENODEV:
    case -ENXIO:
    case -EIO:
        (void)snprintf(text, size,
                       "%s does not answer or has gone: unplugged, or its power is off?", device);
        break;
    default:
        (void)snprintf(text, size, "%s cannot be used: %s", device, strerror(-error));
        break;
    }
}
