// SPDX-License-Identifier: Apache-2.0
/*
 * serve.h - the daemon's API: HTTP and JSON over a Unix socket, and over TCP where asked for.
 * docs/api.md.
 *
 * Runs on libmicrohttpd's own thread(s); slow answers suspend their connection, so that no client
 * holds up another. Acquisition never waits for it.
 */
#ifndef CRANKTRAP_SERVE_H
#define CRANKTRAP_SERVE_H

#include "disk_ring.h"
#include "hookup.h"
#include "intake.h"
#include "marks.h"
#include "memory_ring.h"
#include "snapshot.h"
#include "timebase.h"
#include "watch.h"

#include <stdbool.h>

/* What the API shows and does; all of it outlives the server. */
struct serve_parts {
    const struct hookup *hookup;
    const char *hookup_path;
    const char *state_folder;
    struct intake *intake;
    struct watch *watch;
    struct memory_ring *memory;
    struct disk_ring *disk;
    struct snapshots *snapshots;
    struct timebase *timebase;
    bool hookup_is_copy;     /* the hookup is the copy in the state folder */
    const char *program;     /* `cranktrap`, which prints reports and lists; NULL: there is none */
    const char *page_folder; /* of the web page's files; NULL, or without them: no page */
    const char *listen;      /* TCP too: "loopback" or ADDRESS:PORT; NULL: not */
    const int *listener; /* a Unix socket that listens already, and stays the caller's: it outlives
                            the server, who asks meanwhile waits; NULL: one is opened */
    struct marks *marks; /* what is added here is shown; marks.h */
    void *context;
    /* Notes a mark about `at_ns` in the stream, without a snapshot. 0 or a negative errno. */
    int (*note)(void *context, int64_t at_ns, const char *name, const char *text);
    /* Has the hookup read anew, soon. NULL: that takes a restart. */
    void (*reload)(void *context);
    /* Sets a manual mark about `at_ns` (elapsed, not in the future) and asks for its snapshot; its
     * number or a negative errno. */
    int (*keep)(void *context, int64_t at_ns, double before_s, double after_s, const char *text);
};

struct serve;

/* A listening Unix socket at `path`, as serve_start() opens it: its descriptor, or a negative
 * errno. The caller closes it, and removes `path`. */
int serve_listen(const char *path);

/*
 * Listens at `parts->listener`, else at `socket_path` (mode 0660; a stale socket is replaced, a
 * living one is -EADDRINUSE). `parts` is copied; its strings must outlive the server. -EINVAL where
 * `listen` is no address.
 */
int serve_start(const char *socket_path, const struct serve_parts *parts, struct serve **serve);

/* "127.0.0.1:4187", where it listens over TCP; "": it does not. */
const char *serve_address(const struct serve *serve);

/* Was the web page there at the start? */
bool serve_has_page(const struct serve *serve);

/* Closes all connections, removes the socket, frees. Takes NULL. */
void serve_stop(struct serve *serve);

#endif
