// SPDX-License-Identifier: Apache-2.0
/*
 * usb_tmc.h - messages to and from a device of the USB Test and Measurement Class. One thread.
 */
#ifndef CRANKTRAP_USB_TMC_H
#define CRANKTRAP_USB_TMC_H

#include "board_file.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define USB_TMC_PIECE 32768 /* bytes that usb_tmc_receive() gives at most at a time */

struct usb_tmc;

/*
 * Opens and claims the device behind `node` and clears it: nothing of before is left in it. `where`
 * has its bulk endpoints, both. Errors: as transport_open_usb().
 */
int usb_tmc_open(const char *node, const struct board_usb *where, struct usb_tmc **tmc);

/* Sends one message of at most BOARD_BYTES_MAX bytes. 0, -ETIMEDOUT, -ENODEV, -EPIPE the device
 * refuses it (stall), or another negative errno. */
int usb_tmc_send(struct usb_tmc *tmc, const uint8_t *bytes, size_t count, int timeout_ms);

/*
 * The next piece of the device's message into `bytes` (room for USB_TMC_PIECE): how many bytes
 * (`*end`: the last ones), 0 where none are there in time: the next call goes on waiting. Errors:
 * -ENODEV; -EPIPE a stall; -EPROTO a header that is none of the answer asked for; -EBADMSG a
 * transfer shorter than its header says; -EIO. After any but the first: usb_tmc_clear().
 */
int usb_tmc_receive(struct usb_tmc *tmc, uint8_t *bytes, int timeout_ms, bool *end);

/* Has the device forget what it was asked, and both endpoints go on. 0, -ENODEV, -ETIMEDOUT it
 * never comes to an end with that, -EIO it refuses. */
int usb_tmc_clear(struct usb_tmc *tmc);

void usb_tmc_close(struct usb_tmc *tmc); /* takes NULL */

#endif
