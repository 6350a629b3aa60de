// SPDX-License-Identifier: Apache-2.0
/*
 * serial_port.c - opens and configures serial hardware by libserialport 0.1.1, and does what that
 * version leaves out: a lock, close-on-exec, a choice about HUPCL, reads that cannot lie.
 *
 * Reading and writing are not done through the library: its calls cannot tell a port that has
 * gone from a silent one, and burn a core while they fail to.
 */
#include "serial_port.h"

#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <linux/serial.h>
#include <stdlib.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

struct serial_port {
    int guard; /* holds the lock; opened first, so that a port in use is never reconfigured */
    int descriptor;
    struct sp_port *library;
    bool open;
};

static int error_of(enum sp_return result) {
    switch (result) {
    case SP_OK:
        return 0;
    case SP_ERR_ARG:
        return -EINVAL;
    case SP_ERR_SUPP:
        return -ENOTSUP;
    case SP_ERR_MEM:
        return -ENOMEM;
    default: {
        int code = sp_last_error_code();
        return code > 0 ? -code : -EIO;
    }
    }
}

static int lock(struct serial_port *port, const char *node) {
    port->guard = open(node, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (port->guard < 0)
        return -errno;
    if (flock(port->guard, LOCK_EX | LOCK_NB) < 0)
        return errno == EWOULDBLOCK ? -EBUSY : -errno;
    return 0;
}

/* What termios knows and libserialport does not ask for. */
static int set_terminal(int descriptor, bool keep_modem_lines) {
    struct termios terminal;
    if (tcgetattr(descriptor, &terminal) < 0)
        return -errno;
    terminal.c_cflag |= HUPCL;
    if (keep_modem_lines)
        terminal.c_cflag &= ~(tcflag_t)HUPCL;
    /* The library sets VMIN to 0, and then read() gives 0 for "nothing yet" as well as for
     * "hung up". With 1 the first is EAGAIN, and 0 means gone. */
    terminal.c_cc[VMIN] = 1;
    terminal.c_cc[VTIME] = 0;
    return tcsetattr(descriptor, TCSANOW, &terminal) < 0 ? -errno : 0;
}

static int set_line(struct sp_port *library, unsigned baud) {
    int result = error_of(sp_set_baudrate(library, (int)baud));
    if (result == -EINVAL)
        return -ENOTSUP;
    if (result == 0)
        result = error_of(sp_set_bits(library, 8));
    if (result == 0)
        result = error_of(sp_set_parity(library, SP_PARITY_NONE));
    if (result == 0)
        result = error_of(sp_set_stopbits(library, 1));
    if (result == 0)
        result = error_of(sp_set_flowcontrol(library, SP_FLOWCONTROL_NONE));
    return result;
}

/* Wishes: many boards send only with DTR up; adapters may hold short packets back for 16 ms. */
static void set_wishes(struct serial_port *port) {
    (void)sp_set_dtr(port->library, SP_DTR_ON);
    (void)sp_set_rts(port->library, SP_RTS_ON);
    (void)ioctl(port->descriptor, TIOCEXCL); /* beside the lock, for programs that take none */
    struct serial_struct serial;
    if (ioctl(port->descriptor, TIOCGSERIAL, &serial) == 0) {
        serial.flags |= (int)ASYNC_LOW_LATENCY;
        (void)ioctl(port->descriptor, TIOCSSERIAL, &serial);
    }
}

static int open_library(struct serial_port *port, const char *node,
                        const struct transport_settings *settings) {
    if (sp_get_port_by_name(node, &port->library) != SP_OK)
        return -ENOTTY; /* it is there, we hold it: the library just does not know it */
    int result = error_of(sp_open(port->library, SP_MODE_READ_WRITE));
    if (result < 0)
        return result;
    port->open = true;

    result = error_of(sp_get_port_handle(port->library, &port->descriptor));
    if (result == 0 && fcntl(port->descriptor, F_SETFD, FD_CLOEXEC) < 0)
        result = -errno;
    if (result == 0)
        result = set_terminal(port->descriptor, settings->keep_modem_lines);
    if (result == 0)
        result = set_line(port->library, settings->baud);
    if (result == 0)
        set_wishes(port);
    if (result == 0)
        result = error_of(sp_flush(port->library, SP_BUF_INPUT));
    return result;
}

int serial_port_open(const char *node, const struct transport_settings *settings,
                     struct serial_port **port) {
    struct serial_port *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->guard = -1;
    made->descriptor = -1;

    int result = lock(made, node);
    if (result == 0)
        result = open_library(made, node, settings);
    if (result < 0) {
        serial_port_close(made);
        return result;
    }
    *port = made;
    return 0;
}

int serial_port_descriptor(const struct serial_port *port) {
    return port->descriptor;
}

void serial_port_close(struct serial_port *port) {
    if (port == NULL)
        return;
    if (port->descriptor >= 0)
        (void)ioctl(port->descriptor, TIOCNXCL);
    if (port->open)
        (void)sp_close(port->library);
    if (port->library != NULL)
        sp_free_port(port->library);
    if (port->guard >= 0)
        close(port->guard);
    free(port);
}
