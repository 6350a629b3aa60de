// SPDX-License-Identifier: Apache-2.0
#include "taps.h"

#include "actions.h"
#include "say.h"

#include <errno.h>
#include <math.h>
#include <string.h>

/* ---- of intake: on its pipeline threads ---- */

static void on_run(void *context, const struct record_run *run) {
    struct daemon *daemon = context;
    watch_run(daemon->watch, run);
}

static void on_loss(void *context, size_t board, uint64_t scans, const char *reason) {
    struct daemon *daemon = context;
    (void)scans;
    (void)reason; /* both are in the stream and in the counters already */
    watch_loss(daemon->watch, board);
}

static void on_described(void *context, size_t board, const struct board_description *description) {
    struct daemon *daemon = context;
    intake_hold_hookup(daemon->intake); /* a reload changes both */
    if (watch_fitted(daemon->watch, board) < 0)
        fail("board %s: no memory for its detectors; it is recorded but not watched",
             daemon->hookup->boards[board].name);
    intake_release_hookup(daemon->intake);
    struct message *message = message_new(MESSAGE_DESCRIBED, NULL, NULL);
    if (!message)
        return;
    message->board = board;
    message->description = *description;
    mailbox_post(daemon->mailbox, message);
}

static void on_event(void *context, size_t board, enum intake_board_state state, const char *text) {
    struct daemon *daemon = context;
    struct message *message = message_new(MESSAGE_BOARD, NULL, text);
    if (!message)
        return;
    message->board = board;
    message->begins = state == INTAKE_STREAMING;
    mailbox_post(daemon->mailbox, message);
}

struct intake_tap taps_of_intake(struct daemon *daemon) {
    return (struct intake_tap){daemon, on_run, on_loss, on_described, on_event};
}

/* ---- of watch: on the pipeline threads too ---- */

static void on_cranking(void *context, bool engaged, int64_t elapsed_ns) {
    struct daemon *daemon = context;
    struct message *message = message_new(MESSAGE_CRANKING, NULL, NULL);
    if (!message)
        return;
    message->begins = engaged;
    message->elapsed_ns = elapsed_ns;
    mailbox_post(daemon->mailbox, message);
}

static void on_mark(void *context, const struct watch_mark *mark) {
    struct daemon *daemon = context;
    struct message *message = message_new(MESSAGE_MARK, mark->trigger, mark->text);
    if (!message)
        return;
    message->begins = mark->begins;
    message->elapsed_ns = mark->elapsed_ns;
    message->value = mark->value;
    message->before_s = mark->before_s;
    message->after_s = mark->after_s;
    message->suppressed = mark->suppressed;
    const struct vehicle *vehicle = &daemon->hookup->vehicle;
    if (mark->channel < vehicle->channel_count)
        message->channel = strdup(vehicle->channels[mark->channel].name);
    message->phase = mark->phase;
    mailbox_post(daemon->mailbox, message);
}

struct watch_sinks taps_of_watch(struct daemon *daemon) {
    return (struct watch_sinks){daemon, on_cranking, on_mark};
}

/* ---- of reports: on the reporter's thread ---- */

static void on_reported(void *context, unsigned number, const char *path, int status) {
    (void)context;
    if (status == 0)
        return;
    if (status < 0)
        warn("snapshot %u: its analysis could not run (%s); run `cranktrap report %s`", number,
             strerror(-status), path);
    else
        warn("snapshot %u: its analysis ended with status %d; run `cranktrap report %s`", number,
             status, path);
}

struct reporter_tap taps_of_reporter(struct daemon *daemon) {
    return (struct reporter_tap){daemon, on_reported};
}

/* ---- of snapshots: on theirs ---- */

static void on_snapshot(void *context, unsigned number, const char *path) {
    struct daemon *daemon = context;
    tell((struct journal_line){.priority = JOURNAL_NOTICE, .snapshot = number},
         "snapshot %u saved: %s", number, path);
    if (reporter_ask(daemon->reporter, number, path) < 0)
        warn("snapshot %u: no memory to have it analysed; run `cranktrap report %s`", number, path);
}

static void on_snapshot_removed(void *context, const char *text) {
    (void)context;
    say("%s", text);
}

static void on_snapshot_problem(void *context, const char *text) {
    (void)context;
    warn("%s", text);
}

static int on_flush(void *context) {
    struct daemon *daemon = context;
    int result = intake_flush(daemon->intake, FLUSH_WAIT_MS);
    int written = writer_flush(daemon->writer, FLUSH_WAIT_MS);
    return result < 0 ? result : written;
}

struct snapshot_tap taps_of_snapshots(struct daemon *daemon) {
    return (struct snapshot_tap){daemon, on_snapshot, on_snapshot_removed, on_snapshot_problem,
                                 on_flush};
}

/* ---- of the API: on serve's threads ---- */

static int on_keep(void *context, int64_t at_ns, double before_s, double after_s,
                   const char *text) {
    struct daemon *daemon = context;
    struct message *message = message_new(MESSAGE_MARK, "manual", text);
    if (!message)
        return -ENOMEM;
    message->begins = true;
    message->elapsed_ns = at_ns;
    message->before_s = before_s;
    message->after_s = after_s;
    message->value = (double)NAN;
    message->phase = watch_phase(daemon->watch);
    int result = actions_mark(daemon, message);
    if (result == 0)
        result = actions_snapshot(daemon, message);
    marks_add(daemon->marks, at_ns, message->trigger, text, result > 0 ? (unsigned)result : 0);
    message->kind = MESSAGE_KEPT;
    if (result > 0)
        mailbox_post(daemon->mailbox, message);
    else
        message_free(message);
    return result;
}

/* A mark without a snapshot. */
static int on_note(void *context, int64_t at_ns, const char *name, const char *text) {
    struct daemon *daemon = context;
    struct message *message = message_new(MESSAGE_MARK, name, text);
    if (!message)
        return -ENOMEM;
    message->begins = true;
    message->elapsed_ns = at_ns;
    message->value = (double)NAN;
    message->phase = watch_phase(daemon->watch);
    int result = actions_mark(daemon, message);
    message_free(message);
    return result;
}

/* The hookup has been changed over it. */
static void on_reload(void *context) {
    struct daemon *daemon = context;
    struct message *message = message_new(MESSAGE_RELOAD, NULL, NULL);
    if (message)
        mailbox_post(daemon->mailbox, message);
}

void taps_of_serve(struct daemon *daemon, struct serve_parts *parts) {
    parts->context = daemon;
    parts->keep = on_keep;
    parts->note = on_note;
    parts->reload = on_reload;
}
