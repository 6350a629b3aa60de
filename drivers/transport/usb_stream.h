// SPDX-License-Identifier: Apache-2.0
/*
 * usb_stream.h - bytes from a bulk endpoint through libusb's asynchronous transfers. Internal to
 * drivers/transport: transport.h is its face.
 *
 * All libusb events of a board are handled by the thread that reads it, inside
 * usb_stream_read(): no callback ever runs beside it, and nothing needs a lock.
 */
#ifndef CRANKTRAP_USB_STREAM_H
#define CRANKTRAP_USB_STREAM_H

#include "transport.h"

struct usb_stream;

/* As transport_open_usb(). */
int usb_stream_open(const char *node, const struct transport_usb *settings,
                    struct usb_stream **stream);

/* As transport_read(). */
int usb_stream_read(struct usb_stream *stream, uint8_t *bytes, size_t size, int timeout_ms);

/* As transport_interrupt(): from any thread. */
void usb_stream_interrupt(struct usb_stream *stream);

/* Queued less than planned, because of the kernel's quota: what and why, else "". */
const char *usb_stream_remark(const struct usb_stream *stream);

/* Sends the stop requests where the device is still there, ends all transfers, frees; takes NULL.
 */
void usb_stream_close(struct usb_stream *stream);

#endif
