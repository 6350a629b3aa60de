// SPDX-License-Identifier: Apache-2.0
/*
 * usb_handle.h - a USB device opened and claimed, and requests to it. Internal to
 * drivers/transport.
 */
#ifndef CRANKTRAP_USB_HANDLE_H
#define CRANKTRAP_USB_HANDLE_H

#include "board_file.h"

#include <libusb.h>
#include <stdbool.h>
#include <stddef.h>

struct usb_handle {
    libusb_context *context;
    libusb_device_handle *handle;
    int descriptor;     /* of the device node; libusb does not own it */
    int claimed;        /* the interface + 1; 0: none */
    size_t packet_size; /* of the endpoint; of an isochronous one all it may send at a time */
    double interval_s;  /* from one packet of an isochronous endpoint to the next; else 0 */
};

/* The negative errno of a libusb result; results >= 0 stay. */
int usb_handle_error(int result);

/*
 * Opens the node, resets the device first where `reset` says so, claims the interface (a kernel
 * driver on it is asked to let go), chooses the alternate setting and finds the endpoint. Errors
 * as transport_open_usb(). On failure usb_handle_close() cleans up.
 */
int usb_handle_open(struct usb_handle *usb, const char *node, const struct board_usb *where,
                    bool reset);

/* Sends requests in order; waits for each at most a second. 0, -EPROTO refused or not answered,
 * -ENODEV. */
int usb_handle_send(struct usb_handle *usb, const struct board_usb *where,
                    const struct board_requests *requests);

void usb_handle_close(struct usb_handle *usb); /* takes half-opened ones */

#endif
