// SPDX-License-Identifier: Apache-2.0
/*
 * usb_devices.h - which USB devices there are, and which of them a board file and a hookup mean.
 */
#ifndef CRANKTRAP_USB_DEVICES_H
#define CRANKTRAP_USB_DEVICES_H

#include "board.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct usb_device {
    char node[32]; /* /dev/bus/usb/001/005 */
    char port[32]; /* 1-1.4: bus and port; the same socket is the same port */
    uint16_t vendor, product;
    char serial[64]; /* or "" */
    char name[96];   /* what the device calls itself, or "" */
    int access;      /* 0 readable and writable by this user, else -EACCES */
};

/* Lists the USB devices there are now, hubs left out, sorted by port. The array belongs to the
 * caller (free). 0 or a negative errno; no USB at all is an empty list. */
int usb_devices_list(struct usb_device **devices, size_t *count);

/* The device is one of `ids` (ended by a row of zeros; NULL: any device is). */
bool usb_device_matches(const struct usb_device *device, const struct board_id *ids);

/*
 * Finds the one device of `ids` that `wanted` means: its serial number, its port, or its node;
 * NULL: the only one there is. 0; -ENOENT none is there now; -ENOTUNIQ more than one. `*device` is
 * untouched on failure.
 */
int usb_devices_find(const struct board_id *ids, const char *wanted, struct usb_device *device);

/*
 * A plain sentence why that board cannot be used, and what to do: names node, mode, group and user
 * where a right is missing, and the devices to choose from where there are several.
 */
void usb_devices_explain(const struct board_id *ids, const char *wanted, int error, char *text,
                         size_t size);

#endif
