// SPDX-License-Identifier: Apache-2.0
/*
 * ports.c - lists the serial ports and finds the one that a hookup's `device =` means.
 *
 * A board is named by what stays the same when it is plugged in again: a link that udev makes
 * (by-id, by-path), or the serial number of its USB device. ttyUSB0 is whoever came first.
 */
#include "ports.h"

#include "node.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

static void copy_text(char *to, size_t size, const char *from) {
    (void)snprintf(to, size, "%s", from != NULL ? from : "");
}

/* The link in `folder` that leads to `node`, or "". */
static void find_link(const char *folder, const char *node, char *link, size_t size) {
    link[0] = '\0';
    DIR *entries = opendir(folder);
    if (entries == NULL)
        return;
    const struct dirent *entry;
    while (link[0] == '\0' && (entry = readdir(entries)) != NULL) {
        char path[sizeof((struct port *)NULL)->by_id];
        char leads_to[sizeof((struct port *)NULL)->node];
        int length = snprintf(path, sizeof path, "%s/%s", folder, entry->d_name);
        if (entry->d_name[0] == '.' || length < 0 || (size_t)length >= sizeof path)
            continue;
        if (node_resolve(path, leads_to, sizeof leads_to) == 0 && strcmp(leads_to, node) == 0)
            copy_text(link, size, path);
    }
    closedir(entries);
}

static void fill_port(struct port *port, struct sp_port *found) {
    int vendor = 0, product = 0;
    copy_text(port->node, sizeof port->node, sp_get_port_name(found));
    copy_text(port->description, sizeof port->description, sp_get_port_description(found));
    find_link("/dev/serial/by-id", port->node, port->by_id, sizeof port->by_id);
    find_link("/dev/serial/by-path", port->node, port->by_path, sizeof port->by_path);
    if (sp_get_port_transport(found) == SP_TRANSPORT_USB) {
        copy_text(port->serial, sizeof port->serial, sp_get_port_usb_serial(found));
        if (sp_get_port_usb_vid_pid(found, &vendor, &product) == SP_OK) {
            port->vendor = (uint16_t)vendor;
            port->product = (uint16_t)product;
        }
    }
    port->access = faccessat(AT_FDCWD, port->node, R_OK | W_OK, AT_EACCESS) == 0 ? 0 : -EACCES;
}

int ports_list(struct port **ports, size_t *count) {
    struct sp_port **found;
    struct stat status;
    if (stat("/sys/class/tty", &status) < 0 && errno == ENOENT) { /* a kernel without any */
        *ports = NULL;
        *count = 0;
        return 0;
    }
    enum sp_return result = sp_list_ports(&found);
    if (result != SP_OK)
        return result == SP_ERR_MEM ? -ENOMEM : -EIO;

    size_t known = 0;
    while (found[known] != NULL)
        known++;
    struct port *made = calloc(known > 0 ? known : 1, sizeof *made);
    if (made != NULL) {
        for (size_t i = 0; i < known; i++)
            fill_port(&made[i], found[i]);
        *ports = made;
        *count = known;
    }
    sp_free_port_list(found);
    return made != NULL ? 0 : -ENOMEM;
}

static int resolve_serial_number(const char *serial, char *path, size_t size) {
    struct port *ports;
    size_t count;
    int result = ports_list(&ports, &count);
    if (result < 0)
        return result;

    const struct port *match = NULL;
    result = -ENOENT;
    for (size_t i = 0; i < count; i++) {
        if (strcmp(ports[i].serial, serial) != 0)
            continue;
        result = match == NULL ? 0 : -ENOTUNIQ;
        match = &ports[i];
    }
    if (result == 0 && strlen(match->node) >= size)
        result = -ENAMETOOLONG;
    if (result == 0)
        copy_text(path, size, match->node);
    free(ports);
    return result;
}

int ports_resolve(const char *device, char *path, size_t size) {
    if (device[0] == '\0')
        return -ENOENT;
    if (strchr(device, '/') == NULL)
        return resolve_serial_number(device, path, size);

    struct stat status;
    if (stat(device, &status) < 0)
        return errno == ENOTDIR ? -ENOENT : -errno;
    return node_resolve(device, path, size);
}
