// SPDX-License-Identifier: Apache-2.0
/*
 * transport.h - bytes to and from a port, without ever blocking for good.
 *
 * Three kinds behind one face: real serial ports (libserialport opens and configures them),
 * pseudo-terminals, FIFOs and other paths (plain termios and poll), and USB bulk endpoints
 * (libusb). Reading always goes through poll() on the file descriptor: a port that has gone is told
 * apart from one that is silent.
 *
 * One thread reads and at most one writes; open and close are not concurrent with either.
 */
#ifndef CRANKTRAP_TRANSPORT_H
#define CRANKTRAP_TRANSPORT_H

#include "board_file.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct transport_settings {
    unsigned baud;         /* bits a second; 8N1. Pseudo-terminals ignore it */
    bool keep_modem_lines; /* clear HUPCL: closing does not drop DTR */
};

/* A USB board; what the pointers lead to must live as long as the transport. */
struct transport_usb {
    const struct board_usb *usb;
    const struct board_requests *start, *stop; /* sent after opening, before closing; NULL: none */
    double bytes_per_s;                        /* what the board sends: how much is queued */
    bool reset; /* reset the device on the bus first: a last resort */
};

struct transport;

/*
 * Opens `path` (a device node, or a symbolic link to one: links are resolved). The port is locked
 * against other programs (flock, TIOCEXCL), raw, close-on-exec, and its input flushed.
 * Errors: -ENOENT no such node, -EACCES no right, -EBUSY someone else holds it, -ENOTSUP baud not
 * possible, -EINVAL not a port. `*transport` is untouched then.
 */
int transport_open(const char *path, const struct transport_settings *settings,
                   struct transport **transport);

/*
 * Opens the USB device behind `node` (usb_devices_find() gives it), queues transfers, throws away
 * what the board had queued before, sends the start requests. Errors: -ENOENT, -ENODEV not there
 * (any more), -EACCES no right, -EBUSY another program has the interface, -ENXIO no such
 * endpoint, -EPROTO a start request was refused, -ENOMEM the kernel's quota.
 */
int transport_open_usb(const char *node, const struct transport_usb *settings,
                       struct transport **transport);

/*
 * What the owner should be told of an open transport: that less could be queued than was meant,
 * and why. "" where there is nothing to say.
 */
const char *transport_remark(const struct transport *transport);

/*
 * Waits up to `timeout_ms` for bytes and reads what is there. Returns the number of bytes (> 0),
 * 0 when none came in time or transport_interrupt() was called, -ENODEV when the port has gone
 * (hang-up, unplugged), or another negative errno. USB also: -EPIPE: bytes are missing between
 * those read last and the next, and the flow goes on; -EIO: transfers keep failing, the device is
 * there.
 */
int transport_read(struct transport *transport, uint8_t *bytes, size_t size, int timeout_ms);

/* Writes all of it within `timeout_ms`: 0, -ETIMEDOUT, -ENODEV or another negative errno. */
int transport_write(struct transport *transport, const uint8_t *bytes, size_t count,
                    int timeout_ms);

/* From any thread: makes a transport_read() that waits return 0 at once. */
void transport_interrupt(struct transport *transport);

/* Characters the UART or the kernel dropped since the last call, where the port can tell; else 0.
 */
uint64_t transport_overruns(struct transport *transport);

/* Closes and frees; takes NULL. */
void transport_close(struct transport *transport);

#endif
