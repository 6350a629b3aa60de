// SPDX-License-Identifier: Apache-2.0
/*
 * usb_memory.h - a USB device in this process's memory: takes the place of libusb in
 * cranktrap-bench, so that the transport's own queue of transfers runs without a kernel's bus.
 *
 * One device at a time; endpoint 0x81, bulk, packets of 512 bytes. It sends nothing before it was
 * sent a control request.
 */
#ifndef CRANKTRAP_USB_MEMORY_H
#define CRANKTRAP_USB_MEMORY_H

#include <stddef.h>
#include <stdint.h>

struct usb_memory_source {
    void *context;
    /*
     * Fills the oldest queued transfer: how many bytes, or 0 when none are due, and then how long
     * to wait for some at most. On the transport's thread.
     */
    size_t (*fill)(void *context, uint8_t *bytes, size_t size, int64_t *wait_ns);
};

/* From now on the device sends what this source has; before it is opened. */
void usb_memory_plug(const struct usb_memory_source *source);

/* How long the thread that reads a port was elsewhere at most between two reads, ns, since the
 * last call. Any kind of port. */
int64_t usb_memory_longest_away_ns(void);

#endif
