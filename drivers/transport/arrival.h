// SPDX-License-Identifier: Apache-2.0
/*
 * arrival.h - waits for a device to be plugged in: udev says so as soon as its rules have given the
 * node its rights. Where nothing tells (no udev, a pseudo-terminal), waiting is only time, and the
 * caller looks again by itself.
 *
 * One thread waits; any may interrupt.
 */
#ifndef CRANKTRAP_ARRIVAL_H
#define CRANKTRAP_ARRIVAL_H

#include <stdbool.h>

struct arrival;

/* Listens from now on: what comes between this and the first wait is not missed. 0 or -errno. */
int arrival_new(struct arrival **arrival);
void arrival_free(struct arrival *arrival); /* takes NULL */

/*
 * Waits up to `timeout_ms`. True: a serial port or USB device has come or changed since the last
 * wait; whose it is, the caller finds out by looking. False: nothing has, or it was interrupted.
 */
bool arrival_wait(struct arrival *arrival, int timeout_ms);

/* From any thread: a waiting arrival_wait() returns, or the next one that would wait. */
void arrival_interrupt(struct arrival *arrival);

#endif
