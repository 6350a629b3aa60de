// SPDX-License-Identifier: Apache-2.0
/*
 * daemon.h - what the files of this folder share: all parts of a running daemon.
 *
 * start.c makes and ends them, reload.c exchanges hookup and watch. Other threads see it through
 * taps.c only, and of it: intake, watch, mailbox, memory, marks, disk, snapshots and reporter,
 * which guard themselves, and `hookup` where taps.c says how it is held.
 */
#ifndef CRANKTRAP_DAEMON_H
#define CRANKTRAP_DAEMON_H

#include "command_line.h"
#include "disk_ring.h"
#include "head.h"
#include "hookup.h"
#include "intake.h"
#include "mailbox.h"
#include "marks.h"
#include "memory_ring.h"
#include "reporter.h"
#include "serve.h"
#include "snapshot.h"
#include "timebase.h"
#include "watch.h"
#include "writer.h"

#include <stdbool.h>

#define FLUSH_WAIT_MS 10000 /* for a disk to take what is in memory */

struct retired {
    struct retired *next;
    struct hookup *hookup;
};

struct daemon {
    struct command_line line;
    struct hookup *hookup;
    struct retired *retired; /* hookups from before a reload: intake still names boards by them */
    const char *hookup_path; /* of the file that counts: the one named, or the copy */
    char *hookup_copy;       /* the hookup as it was changed over the API, where there is one */
    bool hookup_is_copy;
    char *snapshot_folder, *ring_folder, *socket_path, *program, *page_folder;
    int state_lock;
    struct timebase *timebase;
    struct memory_ring *memory;
    struct disk_ring *disk;
    struct writer *writer;
    struct watch *watch;
    struct intake *intake;
    struct reporter *reporter;
    struct snapshots *snapshots;
    struct serve_parts parts;
    struct serve *serve;
    int listener;
    bool listener_is_ours; /* else the service manager's */
    struct sleep_lock *sleep_lock;
    int awake; /* what sleep_lock_look() said */
    bool reload_wanted, reload_put_off;
    struct marks *marks; /* for the API to show */
    struct head_stream *streams;
    struct mailbox *mailbox;
    bool cranking;           /* main thread: what is flushed at once, actions.c */
    bool urgent;             /*   it is */
    int64_t urgent_until_ns; /*   the latest trigger's time to be saved ends, elapsed */
};

#endif
