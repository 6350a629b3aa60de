// SPDX-License-Identifier: Apache-2.0
/*
 * mock_usb.h - USB boards played by umockdev: the code under test opens /dev/bus/usb/..., and its
 * ioctls are answered here, on a thread of umockdev's.
 *
 * The board is that of drivers/boards/bulk-packed-12.board: packets of 512 bytes, begun and ended
 * by a control request. Input i of scan n has the count (4 n + i) modulo 4096.
 */
#ifndef CRANKTRAP_MOCK_USB_H
#define CRANKTRAP_MOCK_USB_H

#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define MOCK_PACKET  512
#define MOCK_SCANS   84 /* of one packet */
#define MOCK_VENDOR  0x1209
#define MOCK_PRODUCT 0x0002

struct mock_yard; /* all that is plugged in; one at a time */
struct mock_usb;

struct mock_yard *mock_yard_new(void);
void mock_yard_free(struct mock_yard *yard); /* unplugs and frees its boards */

/* A board that may be plugged into port 1-`port` (1 to 9), with a serial number ("" : none). */
struct mock_usb *mock_usb_new(struct mock_yard *yard, unsigned port, const char *serial);

/* Its endpoint is isochronous, of alternate setting 1, with an empty packet behind each other one.
 * Before it is plugged in; then only for code under test in this process. A protocol error is one
 * of its packets. */
void mock_usb_isochronous(struct mock_usb *board);

void mock_usb_plug(struct mock_usb *board);
void mock_usb_unplug(struct mock_usb *board);

/* What it does wrong, each for the next `count` transfers. */
enum mock_fault {
    MOCK_PROTOCOL_ERROR, /* -EPROTO: noise on the cable; what was in it is lost */
    MOCK_OVERFLOW,       /* -EOVERFLOW: more came than asked for; lost as well */
    MOCK_STALL,          /* -EPIPE for it and all that are queued */
    MOCK_SHORT,          /* ends in the middle of a packet, the rest is lost */
    MOCK_FLIPPED,        /* a bit of its first packet's header is wrong */
    MOCK_FAULTS
};
void mock_usb_fail(struct mock_usb *board, enum mock_fault fault, unsigned count);
void mock_usb_skip(struct mock_usb *board, unsigned packets); /* drops them itself */
void mock_usb_hush(struct mock_usb *board, bool silent);
void mock_usb_quota(struct mock_usb *board, size_t bytes);       /* the kernel's; 0: none */
void mock_usb_refuse_start(struct mock_usb *board, bool refuse); /* stalls the control request */
void mock_usb_taken(struct mock_usb *board, bool taken); /* another program has the interface */
void mock_usb_stale(struct mock_usb *board, unsigned packets); /* queued from before */

/* What was done to it. */
struct mock_seen {
    unsigned claims; /* now held */
    unsigned resets, halts_cleared, starts, stops;
    uint64_t packets; /* sent or lost since it was plugged in */
    size_t queued_most, transfers_most;
};
struct mock_seen mock_usb_seen(struct mock_usb *board);

/* Makes the testbed's folders and this node passable for everybody, the node of this mode. */
void mock_usb_chmod(struct mock_usb *board, unsigned mode);

#endif
