// SPDX-License-Identifier: Apache-2.0
/*
 * usb_plan.h - how many transfers of what length keep a USB board flowing.
 */
#ifndef CRANKTRAP_USB_PLAN_H
#define CRANKTRAP_USB_PLAN_H

#include <stdbool.h>
#include <stddef.h>

struct usb_plan {
    size_t transfers; /* queued at any time: 8 to 16 */
    size_t length;    /* bytes of each: a multiple of the endpoint's packet size */
};

/*
 * For a board that sends `bytes_per_s` in USB packets of at most `packet_size` bytes: 100 ms of
 * its data or 4 MiB, whichever is less, are queued. (4 MiB: the kernel's usual quota is 16 MiB for
 * all USB programs together. 100 ms: common practice, no source.)
 */
struct usb_plan usb_plan_for(double bytes_per_s, size_t packet_size);

/*
 * For an isochronous endpoint that has a packet every `interval_s`: the transfers' length is that
 * of their packets at their largest; 100 ms of them are queued. Linux takes at most 128 in a
 * transfer.
 */
struct usb_plan usb_plan_iso(double interval_s, size_t packet_size);

/* Halves the length; false where it is one packet already. */
bool usb_plan_halve(struct usb_plan *plan, size_t packet_size);

#endif
