// SPDX-License-Identifier: Apache-2.0
/*
 * tty.h - pseudo-terminals, FIFOs and plain terminals by termios. Internal to drivers/transport.
 */
#ifndef CRANKTRAP_TTY_H
#define CRANKTRAP_TTY_H

#include "transport.h"

/*
 * Opens and locks `node`, raw and non-blocking. 0 and `*descriptor` (the caller closes it by
 * tty_close), or an error as of transport_open(). A FIFO is opened for reading only.
 */
int tty_open(const char *node, const struct transport_settings *settings, int *descriptor);

void tty_close(int descriptor); /* takes -1 */

#endif
