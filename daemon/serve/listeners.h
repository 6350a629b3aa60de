// SPDX-License-Identifier: Apache-2.0
/*
 * listeners.h - the sockets the API listens at, and the thread that takes connections from them
 * for libmicrohttpd. Each kind has its own number of connections: those of a network cannot keep
 * out those of the Unix socket. Where all are taken, the next ones wait in the kernel.
 */
#ifndef CRANKTRAP_LISTENERS_H
#define CRANKTRAP_LISTENERS_H

#include <microhttpd.h>
#include <stdbool.h>
#include <sys/socket.h>

#define LISTENERS_SOCKET_MAX  48  /* connections over the Unix socket */
#define LISTENERS_NETWORK_MAX 128 /* over TCP, all together */

struct listeners;

/*
 * A Unix socket at `path` (mode 0660; a stale socket is replaced, a living one is -EADDRINUSE,
 * what is no socket -EEXIST). The descriptor, or a negative errno.
 */
int listeners_open_socket(const char *path);

/*
 * TCP at "loopback" (127.0.0.1, port 4187), "ADDRESS:PORT" or "[ADDRESS]:PORT", numbers only; port
 * 0: any. The descriptor, -EINVAL for what is no address, or another negative errno.
 */
int listeners_open_network(const char *address);

/* "127.0.0.1:4187" of a socket's own end; "" where it has none. */
void listeners_name(int file, char *text, size_t size);

/* Starts the thread. `http` takes connections by MHD_add_connection(). 0 or a negative errno. */
int listeners_start(struct MHD_Daemon *http, struct listeners **listeners);

/* Any thread: listens at `file` too (taken over unless -ENOSPC: at most 4). */
int listeners_add(struct listeners *listeners, int file);

/* Any thread: closes a listener; its connections stay. */
void listeners_remove(struct listeners *listeners, int file);

/* libmicrohttpd's thread: a connection from this address has ended. */
void listeners_closed(struct listeners *listeners, bool network);

/* Ends the thread and closes all listeners; the struct stays for listeners_closed(). */
void listeners_stop(struct listeners *listeners);
void listeners_free(struct listeners *listeners); /* stopped, or NULL */

#endif
