// SPDX-License-Identifier: Apache-2.0
/*
 * cranktrapd.c - the daemon's main thread: from its command line through its loop to its end.
 *
 * Other threads post messages (taps.h, mailbox.h); this one acts on them (actions.h), takes
 * signals, reloads, and tells the service manager how it stands.
 */
#include "actions.h"
#include "answers.h"
#include "daemon.h"
#include "hookup_in_use.h"
#include "manager.h"
#include "monotonic.h"
#include "reload.h"
#include "say.h"
#include "sleep_lock.h"
#include "start.h"

#include <errno.h>
#include <jansson.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/signalfd.h>
#include <unistd.h>

#define TICK_MS     1000 /* how often the service manager is told how it stands */
#define END_SECONDS 60   /* what a slow disk may take to write the rest */

/* Without a bus there is nobody who puts the computer to sleep. */
static bool may_sleep(const struct daemon *daemon) {
    return daemon->awake < 0 && daemon->awake != -EINPROGRESS && daemon->awake != -ENOENT;
}

static void stay_awake(struct daemon *daemon) {
    if (daemon->awake != -EINPROGRESS)
        return;
    daemon->awake = daemon->sleep_lock ? sleep_lock_look(daemon->sleep_lock) : -ENOMEM;
    if (may_sleep(daemon))
        warn("this computer may go to sleep while it watches: the login manager gives no lock (%s)",
             strerror(-daemon->awake));
}

/* The API's words for how it stands are the manager's too. */
static void tell_manager(struct daemon *daemon) {
    char line[512];
    json_t *status = answer_status(&daemon->parts);
    const char *state = json_string_value(json_object_get(status, "state"));
    const char *why = json_string_value(json_object_get(status, "why"));
    snprintf(line, sizeof line, "%s%s%s%s", state ? state : "?", why && *why ? ": " : "",
             why ? why : "", may_sleep(daemon) ? " (this computer may go to sleep: no lock)" : "");
    json_decref(status);
    manager_status(line);
}

static void tick(struct daemon *daemon) {
    if (daemon->reload_wanted)
        reload(daemon);
    stay_awake(daemon);
    tell_manager(daemon);
    /* Not of the writer: a disk that stands still is waited for, and a restart frees no disk. */
    if (intake_moves(daemon->intake))
        manager_alive();
}

/* True: an end is asked for. */
static bool take_signal(struct daemon *daemon, int signals) {
    struct signalfd_siginfo signal;
    if (read(signals, &signal, sizeof signal) != sizeof signal)
        return false;
    daemon->reload_wanted |= signal.ssi_signo == SIGHUP;
    return signal.ssi_signo != SIGHUP;
}

static void run(struct daemon *daemon, int signals) {
    struct pollfd wait[2] = {{.fd = signals, .events = POLLIN},
                             {.fd = mailbox_descriptor(daemon->mailbox), .events = POLLIN}};
    int64_t due_ms = 0;
    for (;;) {
        int ready = poll(wait, 2, daemon->line.until_end ? 50 : TICK_MS);
        if (ready < 0 && errno != EINTR)
            return;
        if (ready > 0 && wait[0].revents && take_signal(daemon, signals))
            return;
        if (ready > 0 && wait[1].revents)
            actions_take(daemon);
        actions_calm(daemon);
        if (daemon->line.until_end && intake_ended(daemon->intake))
            return;
        if (monotonic_ms() >= due_ms || (wait[0].revents && daemon->reload_wanted)) {
            tick(daemon);
            due_ms = monotonic_ms() + TICK_MS;
        }
    }
}

/* Signals come to the main thread's poll only: blocked before any other thread is made. Their
 * descriptor, or a negative errno. */
static int await_signals(void) {
    sigset_t awaited;
    sigemptyset(&awaited);
    sigaddset(&awaited, SIGINT);
    sigaddset(&awaited, SIGTERM);
    sigaddset(&awaited, SIGHUP);
    pthread_sigmask(SIG_BLOCK, &awaited, NULL);
    signal(SIGPIPE, SIG_IGN);
    int signals = signalfd(-1, &awaited, SFD_CLOEXEC);
    return signals < 0 ? -errno : signals;
}

/* From its start to its end. 0 or a negative errno. */
static int live(struct daemon *daemon, const char *self, int signals) {
    int result = start_daemon(daemon, self);
    if (result == 0) {
        say("watching \"%s\": state in %s, socket %s", hookup_in_use_vehicle(daemon),
            daemon->line.state, daemon->socket_path);
        (void)sleep_lock_new(&daemon->sleep_lock);
        manager_ready();
        run(daemon, signals);
        manager_stopping(END_SECONDS);
        say("ending: everything goes to disk");
    }
    stop_daemon(daemon);
    return result;
}

int main(int argc, char **argv) {
    struct daemon daemon = {.state_lock = -1, .listener = -1, .awake = -EINPROGRESS};
    int told = command_line_read(argc, argv, &daemon.line);
    if (told)
        return told == 1 ? 0 : 2;
    int signals = await_signals();
    int result = signals < 0 ? signals : mailbox_new(&daemon.mailbox);
    if (result < 0)
        fail("cannot start: %s", strerror(-result));
    else
        result = live(&daemon, argv[0], signals);
    mailbox_free(daemon.mailbox);
    if (signals >= 0)
        close(signals);
    return result == 0 ? 0 : 3;
}
