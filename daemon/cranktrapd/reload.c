// SPDX-License-Identifier: Apache-2.0
#include "reload.h"

#include "actions.h"
#include "hookup_in_use.h"
#include "manager.h"
#include "say.h"
#include "start.h"
#include "taps.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct exchange {
    struct daemon *daemon;
    struct hookup *hookup;
    struct watch *watch;
};

/* Intake tells no run while this happens. */
static int exchange(void *context) {
    struct exchange *fresh = context;
    struct daemon *daemon = fresh->daemon;
    if (watch_cranking(daemon->watch))
        return -EBUSY;
    watch_continue(fresh->watch, daemon->watch);
    struct watch *old = daemon->watch;
    daemon->watch = fresh->watch;
    daemon->hookup = fresh->hookup;
    fresh->watch = old;
    return 0;
}

/* These are built in when rings and threads are made. */
static void keep_fixed_storage(struct hookup_storage *fresh, const struct hookup_storage *old) {
    struct hookup_storage wished = *fresh;
    fresh->ring_bytes = old->ring_bytes;
    fresh->keep_free_bytes = old->keep_free_bytes;
    fresh->memory_bytes = old->memory_bytes;
    fresh->memory_given = old->memory_given;
    fresh->loss_window_s = old->loss_window_s;
    if (wished.ring_bytes != old->ring_bytes || wished.keep_free_bytes != old->keep_free_bytes ||
        wished.memory_given != old->memory_given ||
        (wished.memory_given && wished.memory_bytes != old->memory_bytes) ||
        fabs(wished.loss_window_s - old->loss_window_s) > 0)
        warn("reload: ring, free, memory and loss-window of [storage] stay as they were until the "
             "next start");
}

/* `fresh` into the place of the present one, or freed. 0, -EBUSY while the starter is engaged. */
static int exchange_hookup(struct daemon *daemon, struct hookup *fresh) {
    struct problems problems = {0};
    struct exchange change = {.daemon = daemon, .hookup = fresh};
    struct retired *retired = calloc(1, sizeof *retired);
    struct hookup *old = daemon->hookup;
    const struct watch_sinks sinks = taps_of_watch(daemon);
    int result = retired ? watch_new(fresh, &sinks, &change.watch) : -ENOMEM;
    if (result == 0)
        result = intake_exchange_hookup(daemon->intake, fresh, &problems, exchange, &change);
    watch_free(change.watch); /* the one that is not used (any more) */
    if (result == 0) {
        *retired = (struct retired){daemon->retired, old};
        daemon->retired = retired;
        retired = NULL;
    } else {
        hookup_free(fresh);
    }
    free(retired);
    if (problems.count)
        problems_print(&problems, daemon->hookup_path, stderr);
    problems_clear(&problems);
    return result;
}

static int read_fresh(struct daemon *daemon, struct hookup **hookup) {
    struct hookup *fresh = NULL;
    int result = hookup_in_use_load(daemon, "reload: the old hookup holds", &fresh);
    if (result < 0)
        return result;
    const char *board = hookup_board_changed(daemon->hookup, fresh);
    if (board)
        fail("reload: the old hookup holds: board %s is another, and what a board is (driver, "
             "device, options) changes only with a restart: systemctl restart cranktrapd",
             board);
    result = board ? -EINVAL : hookup_in_use_calibrate(daemon, fresh);
    if (result == 0)
        keep_fixed_storage(&fresh->storage, &daemon->hookup->storage);
    if (result < 0)
        hookup_free(fresh);
    else
        *hookup = fresh;
    return result;
}

/* Whoever asks the API meanwhile waits: its threads read the hookup. */
static void change_hookup(struct daemon *daemon, struct hookup *fresh) {
    serve_stop(daemon->serve);
    daemon->serve = NULL;
    actions_take(daemon);
    int result = exchange_hookup(daemon, fresh);
    daemon->reload_wanted = result == -EBUSY;
    if (result == 0) {
        struct snapshot_settings settings = start_snapshot_settings(&daemon->hookup->storage);
        snapshots_set(daemon->snapshots, &settings);
        daemon->parts.hookup = daemon->hookup;
        daemon->parts.hookup_path = daemon->hookup_path;
        daemon->parts.hookup_is_copy = daemon->hookup_is_copy;
        daemon->parts.watch = daemon->watch;
        actions_head(daemon);
        say("reloaded: \"%s\" is watched by %s from now on; no scan was lost",
            hookup_in_use_vehicle(daemon), daemon->hookup_path);
    } else if (result == -EBUSY && !daemon->reload_put_off) {
        say("reload: waits until the starter has let go");
    } else if (result != -EBUSY) {
        fail("reload: the old hookup holds: %s",
             result == -EINVAL ? "it contradicts a board" : strerror(-result));
    }
    daemon->reload_put_off = result == -EBUSY;
    result = serve_start(daemon->socket_path, &daemon->parts, &daemon->serve);
    if (result < 0)
        fail("the API could not be started again (%s): restart the daemon", strerror(-result));
}

void reload(struct daemon *daemon) {
    struct hookup *fresh = NULL;
    daemon->reload_wanted = false;
    manager_reloading();
    if (hookup_in_use_choose(daemon) == 0 && read_fresh(daemon, &fresh) == 0)
        change_hookup(daemon, fresh);
    manager_ready();
}
