// SPDX-License-Identifier: Apache-2.0
/*
 * usb_devices.c - lists the USB devices as the kernel shows them in /sys, and finds the one that is
 * meant. Nothing is opened or woken for it.
 */
#include "usb_devices.h"

#include "rights.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <fnmatch.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define FOLDER    "/sys/bus/usb/devices"
#define CLASS_HUB 9

/* The first line of an attribute, or "". */
static void read_attribute(const char *port, const char *name, char *text, size_t size) {
    char path[160];
    text[0] = '\0';
    (void)snprintf(path, sizeof path, FOLDER "/%s/%s", port, name);
    FILE *file = fopen(path, "re");
    if (file == NULL)
        return;
    if (fgets(text, (int)size, file) == NULL)
        text[0] = '\0';
    text[strcspn(text, "\n")] = '\0';
    fclose(file);
}

static unsigned read_number(const char *port, const char *name, int base) {
    char text[16];
    read_attribute(port, name, text, sizeof text);
    return (unsigned)strtoul(text, NULL, base);
}

/* False where it is no device of its own: an interface ("1-1:1.0") or a hub. */
static bool fill_device(struct usb_device *device, const char *port) {
    *device = (struct usb_device){0};
    if (port[0] == '.' || strchr(port, ':') != NULL || strlen(port) >= sizeof device->port)
        return false;
    device->vendor = (uint16_t)read_number(port, "idVendor", 16);
    device->product = (uint16_t)read_number(port, "idProduct", 16);
    if (device->vendor == 0 || read_number(port, "bDeviceClass", 16) == CLASS_HUB)
        return false;
    memcpy(device->port, port, strlen(port) + 1);
    (void)snprintf(device->node, sizeof device->node, "/dev/bus/usb/%03u/%03u",
                   read_number(port, "busnum", 10) % 1000, read_number(port, "devnum", 10) % 1000);
    read_attribute(port, "serial", device->serial, sizeof device->serial);
    read_attribute(port, "product", device->name, sizeof device->name);
    device->access = faccessat(AT_FDCWD, device->node, R_OK | W_OK, AT_EACCESS) == 0 ? 0 : -EACCES;
    return true;
}

static int by_port(const void *left, const void *right) {
    const struct usb_device *a = left, *b = right;
    return strcmp(a->port, b->port);
}

int usb_devices_list(struct usb_device **devices, size_t *count) {
    DIR *entries = opendir(FOLDER);
    struct usb_device *found = NULL;
    size_t known = 0;
    int result = 0;
    const struct dirent *entry;
    while (entries != NULL && result == 0 && (entry = readdir(entries)) != NULL) {
        struct usb_device device;
        if (!fill_device(&device, entry->d_name))
            continue;
        struct usb_device *grown = reallocarray(found, known + 1, sizeof *found);
        if (grown == NULL) {
            result = -ENOMEM;
            break;
        }
        found = grown;
        found[known++] = device;
    }
    if (entries != NULL)
        closedir(entries);
    if (result < 0) {
        free(found);
        return result;
    }
    if (known > 0)
        qsort(found, known, sizeof *found, by_port);
    *devices = found;
    *count = known;
    return 0;
}

bool usb_device_matches(const struct usb_device *device, const struct board_id *ids) {
    if (ids == NULL)
        return true;
    for (; ids->vendor != 0 || ids->product != 0; ids++)
        if (ids->vendor == device->vendor && ids->product == device->product &&
            (ids->serial_pattern == NULL || fnmatch(ids->serial_pattern, device->serial, 0) == 0))
            return true;
    return false;
}

static bool is_wanted(const struct usb_device *device, const struct board_id *ids,
                      const char *wanted) {
    if (!usb_device_matches(device, ids))
        return false;
    return wanted == NULL || strcmp(wanted, device->port) == 0 ||
           strcmp(wanted, device->node) == 0 ||
           (device->serial[0] != '\0' && strcmp(wanted, device->serial) == 0);
}

int usb_devices_find(const struct board_id *ids, const char *wanted, struct usb_device *device) {
    struct usb_device *devices;
    size_t count;
    int result = usb_devices_list(&devices, &count);
    if (result < 0)
        return result;
    const struct usb_device *match = NULL;
    result = -ENOENT;
    for (size_t i = 0; i < count; i++)
        if (is_wanted(&devices[i], ids, wanted)) {
            result = match == NULL ? 0 : -ENOTUNIQ;
            match = &devices[i];
        }
    if (result == 0)
        *device = *match;
    free(devices);
    return result;
}

/* ---- why not ---- */

/* "USB board CT0001", "USB board 1209:0002": what was looked for. */
static void name_wanted(const struct board_id *ids, const char *wanted, char *text, size_t size) {
    if (wanted != NULL)
        (void)snprintf(text, size, "USB board %.64s", wanted);
    else if (ids != NULL)
        (void)snprintf(text, size, "USB board %04x:%04x", ids->vendor, ids->product);
    else
        (void)snprintf(text, size, "USB board");
}

static bool has_own_serial(const struct usb_device *devices, size_t count, size_t which) {
    for (size_t i = 0; i < count; i++)
        if (i != which && strcmp(devices[i].serial, devices[which].serial) == 0)
            return false;
    return devices[which].serial[0] != '\0';
}

static void explain_several(const struct board_id *ids, const char *wanted, char *text,
                            size_t size) {
    struct usb_device *devices = NULL;
    size_t count = 0;
    if (usb_devices_list(&devices, &count) < 0)
        count = 0;
    bool differ = true; /* do serial numbers tell them apart? */
    size_t used = strlen(text);
    for (size_t i = 0; i < count && used < size; i++)
        if (is_wanted(&devices[i], ids, wanted)) {
            (void)snprintf(text + used, size - used, " port %s (serial number %s)", devices[i].port,
                           devices[i].serial[0] ? devices[i].serial : "none");
            used = strlen(text);
            differ = differ && has_own_serial(devices, count, i);
        }
    (void)snprintf(text + used, size - used, ": say which by device = %s",
                   differ ? "PORT or SERIAL NUMBER" : "PORT");
    free(devices);
}

void usb_devices_explain(const struct board_id *ids, const char *wanted, int error, char *text,
                         size_t size) {
    char name[96];
    struct usb_device device;
    if (size == 0)
        return;
    name_wanted(ids, wanted, name, sizeof name);
    switch (error) {
    case -ENOENT:
    case -ENODEV:
        (void)snprintf(
            text, size,
            "%s is not there now: is it plugged in and powered? `cranktrap boards` lists what is",
            name);
        break;
    case -ENOTUNIQ:
        (void)snprintf(text, size, "more than one %s:", name);
        explain_several(ids, wanted, text, size);
        break;
    case -EACCES:
    case -EPERM:
        if (usb_devices_find(ids, wanted, &device) == 0)
            rights_explain(device.node, text, size);
        else
            (void)snprintf(text, size, "%s may not be opened by this user", name);
        break;
    case -EBUSY:
        (void)snprintf(text, size, "%s is in use by another program: close that one", name);
        break;
    case -ENXIO:
        (void)snprintf(text, size,
                       "%s has no such endpoint of that kind (bulk, isochronous): see driver, "
                       "interface, alternate and endpoint in its board file, and lsusb -v",
                       name);
        break;
    case -EPROTO:
        (void)snprintf(
            text, size,
            "%s refused a start request, or did not answer it: see start = in its board file",
            name);
        break;
    case -ENOMEM:
        (void)snprintf(text, size,
                       "no memory for the transfers of %s: the kernel's quota for all USB "
                       "programs is in /sys/module/usbcore/parameters/usbfs_memory_mb; raise it",
                       name);
        break;
    default:
        (void)snprintf(text, size, "%s cannot be used: %s", name, strerror(-error));
        break;
    }
}
