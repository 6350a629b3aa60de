// SPDX-License-Identifier: Apache-2.0
/*
 * functionfs.h - a USB function played by a program: descriptors, the events of endpoint 0.
 */
#ifndef FUNCTIONFS_H
#define FUNCTIONFS_H

#include <linux/usb/functionfs.h>
#include <stddef.h>
#include <stdint.h>

/* A bulk endpoint of a descriptor, IN (USB_DIR_IN) or OUT. */
#define FUNCTIONFS_BULK(address, size)                                                             \
    {                                                                                              \
        .bLength = USB_DT_ENDPOINT_SIZE, .bDescriptorType = USB_DT_ENDPOINT,                       \
        .bEndpointAddress = (address), .bmAttributes = USB_ENDPOINT_XFER_BULK,                     \
        .wMaxPacketSize = (size)                                                                   \
    }

/* Opens endpoint `number` of the FunctionFS mounted on `folder`; -1 after a message. */
int functionfs_open(const char *folder, int number);

/* Opens endpoint 0 and writes the descriptors, which begin with their head of version 2; then the
 * others can be opened. -1 after a message. */
int functionfs_begin(const char *folder, const void *descriptors, size_t size);

/* Hands each event to `take`, which answers or refuses its requests; returns where none can come.
 */
void functionfs_follow(int control, void (*take)(const struct usb_functionfs_event *event));

/* Endpoint 0's answers to the request at hand: that it is done, `count` bytes, or a stall. */
void functionfs_accept(int control);
void functionfs_answer(int control, const struct usb_ctrlrequest *request, const uint8_t *bytes,
                       size_t count);
void functionfs_refuse(int control, const struct usb_ctrlrequest *request);

#endif
