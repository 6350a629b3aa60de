// SPDX-License-Identifier: Apache-2.0
/*
 * port.c - a pseudo-terminal with a link of a lasting name.
 */
#include "port.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

static int fail(const char *what) {
    fprintf(stderr, "fakeboard: %s: %s\n", what, strerror(errno));
    return -1;
}

static int make_link(const char *path, const char *link) {
    struct stat status;
    if (lstat(link, &status) == 0) {
        if (!S_ISLNK(status.st_mode)) {
            fprintf(stderr, "fakeboard: %s is there and is no link: not touched\n", link);
            return -1;
        }
        (void)unlink(link);
    }
    return symlink(path, link) < 0 ? fail(link) : 0;
}

/*
 * Raw, so that nothing is echoed or translated before the reader has set it up. Opening and
 * closing it once makes the kernel tell from now on when no reader is there.
 */
static int prepare(const char *path) {
    int reader_side = open(path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (reader_side < 0)
        return fail(path);
    struct termios settings;
    int result = tcgetattr(reader_side, &settings);
    if (result == 0) {
        cfmakeraw(&settings);
        result = tcsetattr(reader_side, TCSANOW, &settings);
    }
    if (result < 0)
        fail(path);
    close(reader_side);
    return result;
}

int port_open(struct port *port, const char *link) {
    port->link = NULL;
    port->master = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
    if (port->master < 0)
        return fail("no pseudo-terminal");
    if (grantpt(port->master) < 0 || unlockpt(port->master) < 0 ||
        ptsname_r(port->master, port->path, sizeof port->path) != 0) {
        fail("pseudo-terminal");
        port_close(port);
        return -1;
    }
    if (prepare(port->path) < 0 || (link && make_link(port->path, link) < 0)) {
        port_close(port);
        return -1;
    }
    port->link = link;
    return 0;
}

bool port_has_reader(const struct port *port) {
    struct pollfd master = {.fd = port->master, .events = POLLOUT};
    return port->master >= 0 && poll(&master, 1, 0) >= 0 && !(master.revents & POLLHUP);
}

size_t port_read(struct port *port, uint8_t *bytes, size_t size) {
    ssize_t count = port->master >= 0 ? read(port->master, bytes, size) : 0;
    return count > 0 ? (size_t)count : 0;
}

size_t port_write(struct port *port, const uint8_t *bytes, size_t count) {
    ssize_t written = port->master >= 0 ? write(port->master, bytes, count) : 0;
    return written > 0 ? (size_t)written : 0;
}

void port_close(struct port *port) {
    if (port->link)
        (void)unlink(port->link);
    if (port->master >= 0)
        close(port->master);
    port->master = -1;
    port->link = NULL;
}
