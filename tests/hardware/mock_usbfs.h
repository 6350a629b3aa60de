// SPDX-License-Identifier: Apache-2.0
/*
 * mock_usbfs.h - what every USB board played by umockdev answers and shows alike.
 */
#ifndef CRANKTRAP_MOCK_USBFS_H
#define CRANKTRAP_MOCK_USBFS_H

#include <stddef.h>
#include <umockdev.h>

/* Ends an ioctl: 0, or -1 with that errno. */
void mock_usbfs_answer(UMockdevIoctlClient *client, int error);

/* Ends one that fills the caller's memory behind `arg`. */
void mock_usbfs_fill(UMockdevIoctlClient *client, UMockdevIoctlData *arg, const void *bytes,
                     size_t count);

/* USBDEVFS_CONTROL: the only synchronous request is which configuration is active. 1. */
void mock_usbfs_control(UMockdevIoctlClient *client, UMockdevIoctlData *arg);

struct mock_usbfs_device {
    const char *path; /* in /sys: "/devices/pci0000:00/usb1/1-2" */
    unsigned number;  /* on bus 1 */
    unsigned vendor, product;
    const char *name, *serial; /* "": no serial number */
    const char *descriptors;   /* hexadecimal, of the device and its configurations */
};

/* Shows it in /sys and /dev, as a device of high speed, and has udev tell of it. */
void mock_usbfs_plug(UMockdevTestbed *testbed, const struct mock_usbfs_device *device);

#endif
