// SPDX-License-Identifier: Apache-2.0
/*
 * tty.c - what libserialport refuses: pseudo-terminals, FIFOs, terminals without modem lines.
 */
#include "tty.h"

#include <errno.h>
#include <fcntl.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

static int make_raw(int descriptor, const struct transport_settings *settings) {
    struct termios terminal;
    if (tcgetattr(descriptor, &terminal) < 0)
        return errno == ENOTTY ? -EINVAL : -errno;
    cfmakeraw(&terminal);
    terminal.c_cflag |= CLOCAL | CREAD | HUPCL;
    if (settings->keep_modem_lines)
        terminal.c_cflag &= ~(tcflag_t)HUPCL;
    terminal.c_cc[VMIN] = 1; /* so that read() gives 0 only after a hang-up */
    terminal.c_cc[VTIME] = 0;
    (void)cfsetspeed(&terminal, settings->baud); /* nothing here has a wire that could tell */
    if (tcsetattr(descriptor, TCSANOW, &terminal) < 0)
        return -errno;
    (void)ioctl(descriptor, TIOCEXCL); /* beside the lock, for programs that take none */
    return tcflush(descriptor, TCIFLUSH) < 0 ? -errno : 0;
}

int tty_open(const char *node, const struct transport_settings *settings, int *descriptor) {
    struct stat status;
    if (stat(node, &status) < 0)
        return -errno;
    bool fifo = S_ISFIFO(status.st_mode);
    if (!fifo && !S_ISCHR(status.st_mode))
        return -EINVAL;

    /* Opened for both ways, a FIFO would read back what we write and never see its writer go. */
    int access_mode = fifo ? O_RDONLY : O_RDWR | O_NOCTTY;
    int opened = open(node, access_mode | O_NONBLOCK | O_CLOEXEC);
    if (opened < 0)
        return -errno;
    int result = 0;
    if (flock(opened, LOCK_EX | LOCK_NB) < 0)
        result = errno == EWOULDBLOCK ? -EBUSY : -errno;
    if (result == 0 && !fifo)
        result = make_raw(opened, settings);
    if (result < 0) {
        close(opened);
        return result;
    }
    *descriptor = opened;
    return 0;
}

void tty_close(int descriptor) {
    if (descriptor < 0)
        return;
    /* A pseudo-terminal that its other side holds open would stay exclusive after us. */
    (void)ioctl(descriptor, TIOCNXCL);
    close(descriptor);
}
