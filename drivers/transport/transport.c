// SPDX-License-Identifier: Apache-2.0
/*
 * transport.c - the common face: which kind a path is, and reading and writing with poll().
 */
#include "transport.h"

#include "monotonic.h"
#include "node.h"
#include "serial_port.h"
#include "tty.h"
#include "usb_stream.h"

#include <errno.h>
#include <limits.h>
#include <linux/serial.h>
#include <poll.h>
#include <stdlib.h>
#include <sys/eventfd.h>
#include <sys/ioctl.h>
#include <unistd.h>

struct transport {
    struct usb_stream *usb;     /* NULL: a descriptor to read */
    struct serial_port *serial; /* NULL: a plain terminal or FIFO */
    int descriptor;
    int interruption; /* eventfd */
    uint64_t overruns_seen;
};

/* Overruns since the driver was loaded; 0 where the port does not count them. */
static uint64_t count_overruns(int descriptor) {
    struct serial_icounter_struct counts;
    if (ioctl(descriptor, TIOCGICOUNT, &counts) < 0)
        return 0;
    return (uint64_t)(unsigned)counts.overrun + (unsigned)counts.buf_overrun;
}

static int open_kind(struct transport *transport, const char *node,
                     const struct transport_settings *settings) {
    if (node_is_serial(node)) {
        int result = serial_port_open(node, settings, &transport->serial);
        if (result == 0)
            transport->descriptor = serial_port_descriptor(transport->serial);
        if (result != -ENOTTY)
            return result;
    }
    return tty_open(node, settings, &transport->descriptor);
}

int transport_open(const char *path, const struct transport_settings *settings,
                   struct transport **transport) {
    char node[PATH_MAX];
    int result = node_resolve(path, node, sizeof node);
    if (result < 0)
        return result;
    struct transport *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->descriptor = -1;

    made->interruption = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (made->interruption < 0)
        result = -errno;
    else
        result = open_kind(made, node, settings);
    if (result < 0) {
        transport_close(made);
        return result;
    }
    made->overruns_seen = count_overruns(made->descriptor);
    *transport = made;
    return 0;
}

int transport_open_usb(const char *node, const struct transport_usb *settings,
                       struct transport **transport) {
    struct transport *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->descriptor = made->interruption = -1;
    int result = usb_stream_open(node, settings, &made->usb);
    if (result < 0) {
        free(made);
        return result;
    }
    *transport = made;
    return 0;
}

const char *transport_remark(const struct transport *transport) {
    return transport->usb != NULL ? usb_stream_remark(transport->usb) : "";
}

/* Errors by which the kernel says that the device behind a descriptor is no more. */
static int error_or_gone(int code) {
    return code == EIO || code == ENXIO || code == ENODEV || code == EPIPE ? -ENODEV : -code;
}

int transport_read(struct transport *transport, uint8_t *bytes, size_t size, int timeout_ms) {
    if (transport->usb != NULL)
        return usb_stream_read(transport->usb, bytes, size, timeout_ms);
    struct pollfd wait[2] = {{transport->descriptor, POLLIN, 0},
                             {transport->interruption, POLLIN, 0}};
    int ready = poll(wait, 2, timeout_ms);
    if (ready < 0)
        return errno == EINTR ? 0 : -errno;
    if (wait[1].revents != 0) {
        eventfd_t count;
        (void)eventfd_read(transport->interruption, &count);
        return 0;
    }
    if (wait[0].revents == 0)
        return 0;
    if ((wait[0].revents & POLLNVAL) != 0)
        return -EBADF;

    /* What came before a hang-up is still there to be read, so read first and judge then. */
    ssize_t count = read(transport->descriptor, bytes, size < INT_MAX ? size : INT_MAX);
    if (count > 0)
        return (int)count;
    if (count == 0)
        return -ENODEV;
    if (errno == EAGAIN || errno == EINTR)
        return (wait[0].revents & (POLLHUP | POLLERR)) != 0 ? -ENODEV : 0;
    return error_or_gone(errno);
}

int transport_write(struct transport *transport, const uint8_t *bytes, size_t count,
                    int timeout_ms) {
    if (transport->usb != NULL)
        return -ENOTSUP; /* its requests are sent when it is opened and closed */
    int64_t deadline = monotonic_ms() + timeout_ms;
    while (count > 0) {
        ssize_t written = write(transport->descriptor, bytes, count);
        if (written > 0) {
            bytes += written;
            count -= (size_t)written;
            continue;
        }
        if (written < 0 && errno == EBADF)
            return -ENOTSUP; /* a FIFO: it carries one way only */
        if (written < 0 && errno != EAGAIN && errno != EINTR)
            return error_or_gone(errno);

        int64_t left = deadline - monotonic_ms();
        if (left <= 0)
            return -ETIMEDOUT;
        struct pollfd wait = {transport->descriptor, POLLOUT, 0};
        int ready = poll(&wait, 1, (int)left);
        if (ready < 0 && errno != EINTR)
            return -errno;
        if (ready > 0 && (wait.revents & (POLLHUP | POLLERR)) != 0)
            return -ENODEV;
    }
    return 0;
}

void transport_interrupt(struct transport *transport) {
    if (transport->usb != NULL)
        usb_stream_interrupt(transport->usb);
    else
        (void)eventfd_write(transport->interruption, 1);
}

uint64_t transport_overruns(struct transport *transport) {
    if (transport->usb != NULL)
        return 0;
    uint64_t seen = count_overruns(transport->descriptor);
    uint64_t more = seen > transport->overruns_seen ? seen - transport->overruns_seen : 0;
    transport->overruns_seen = seen;
    return more;
}

void transport_close(struct transport *transport) {
    if (transport == NULL)
        return;
    if (transport->usb != NULL)
        usb_stream_close(transport->usb);
    else if (transport->serial != NULL)
        serial_port_close(transport->serial);
    else
        tty_close(transport->descriptor);
    if (transport->interruption >= 0)
        close(transport->interruption);
    free(transport);
}
