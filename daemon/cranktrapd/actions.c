// SPDX-License-Identifier: Apache-2.0
#include "actions.h"

#include "say.h"

#include <errno.h>
#include <jansson.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

int actions_mark(struct daemon *daemon, const struct message *message) {
    json_t *mark = json_pack("{s:s, s:s, s:s?, s:s, s:b, s:b, s:s?}", "kind", "trigger", "trigger",
                             message->trigger, "channel", message->channel, "phase",
                             phase_name(message->phase), "begins", message->begins, "suppressed",
                             message->suppressed, "text", message->text);
    if (!mark)
        return -ENOMEM;
    json_object_set_new(mark, "value",
                        isfinite(message->value) ? json_real(message->value) : json_null());
    char *text = json_dumps(mark, JSON_COMPACT);
    json_decref(mark);
    if (!text)
        return -ENOMEM;
    struct chunk chunk = {0};
    int result = chunk_text(&chunk, CHUNK_MARK, text, message->elapsed_ns);
    free(text);
    if (result == 0)
        memory_ring_put(daemon->memory, &chunk);
    return result;
}

static int64_t nanoseconds(double seconds) {
    return (int64_t)llround(seconds * 1e9);
}

int actions_snapshot(struct daemon *daemon, const struct message *message) {
    struct snapshot_request request = {
        .trigger = message->trigger,
        .text = message->text,
        .at_ns = message->elapsed_ns,
        .from_ns = message->elapsed_ns - nanoseconds(message->before_s),
        .to_ns = message->elapsed_ns + nanoseconds(message->after_s),
    };
    return snapshots_request(daemon->snapshots, &request);
}

/*
 * A logger fed from the vehicle browns out exactly now: from the starter's engagement, or a
 * trigger, until it ends, what is known goes to disk at once.
 */
static void hurry(struct daemon *daemon) {
    daemon->urgent = true;
    intake_urgent(daemon->intake, true);
    writer_urgent(daemon->writer, true);
}

void actions_calm(struct daemon *daemon) {
    if (!daemon->urgent || daemon->cranking ||
        timebase_elapsed_ns(daemon->timebase) < daemon->urgent_until_ns)
        return;
    daemon->urgent = false;
    intake_urgent(daemon->intake, false);
    writer_urgent(daemon->writer, false);
}

static void hurry_for(struct daemon *daemon, const struct message *message) {
    int64_t until_ns = message->elapsed_ns + nanoseconds(message->after_s);
    if (until_ns > daemon->urgent_until_ns)
        daemon->urgent_until_ns = until_ns;
    hurry(daemon);
}

static void do_mark(struct daemon *daemon, const struct message *message) {
    int result = actions_mark(daemon, message);
    if (result < 0)
        fail("a mark of %s could not be noted: %s", message->trigger, strerror(-result));
    bool saves = !message->suppressed && (message->before_s > 0 || message->after_s > 0);
    result = saves ? actions_snapshot(daemon, message) : 0;
    marks_add(daemon->marks, message->elapsed_ns, message->trigger, message->text,
              result > 0 ? (unsigned)result : 0);
    if (saves && message->begins)
        hurry_for(daemon, message);
    if (!saves)
        return; /* a note in the stream, and nothing more; `status` counts what was suppressed */
    if (result < 0)
        warn("%s: no snapshot: %s", message->text ? message->text : message->trigger,
             strerror(-result));
    else
        tell((struct journal_line){.priority = JOURNAL_NOTICE,
                                   .trigger = message->trigger,
                                   .snapshot = (unsigned)result},
             "%s (snapshot %d)", message->text ? message->text : message->trigger, result);
}

static void do_cranking(struct daemon *daemon, const struct message *message) {
    daemon->cranking = message->begins;
    if (message->begins)
        hurry(daemon);
    else
        actions_calm(daemon);
}

void actions_head(struct daemon *daemon) {
    char *json = NULL;
    intake_hold_hookup(daemon->intake);
    int result = head_format(daemon->hookup, daemon->hookup->board_count, daemon->streams, &json);
    intake_release_hookup(daemon->intake);
    struct chunk chunk = {0};
    if (result == 0)
        result = chunk_text(&chunk, CHUNK_HEAD, json, timebase_elapsed_ns(daemon->timebase));
    if (result == 0)
        memory_ring_put(daemon->memory, &chunk);
    if (result < 0)
        fail("the head of the ring could not be renewed: %s", strerror(-result));
    free(json);
}

static void do_described(struct daemon *daemon, const struct message *message) {
    struct head_stream *stream = &daemon->streams[message->board];
    stream->description = message->description;
    stream->described = true;
    stream->rate_hz = message->description.rate_hz;
    actions_head(daemon);
}

static void act(struct daemon *daemon, struct message *message) {
    switch (message->kind) {
    case MESSAGE_BOARD:
        tell((struct journal_line){.priority = message->begins ? JOURNAL_NOTICE : JOURNAL_WARNING,
                                   .board = daemon->streams[message->board].name},
             "%s", message->text);
        break;
    case MESSAGE_CRANKING:
        do_cranking(daemon, message);
        break;
    case MESSAGE_MARK:
        do_mark(daemon, message);
        break;
    case MESSAGE_KEPT:
        hurry_for(daemon, message);
        break;
    case MESSAGE_DESCRIBED:
        do_described(daemon, message);
        break;
    case MESSAGE_RELOAD:
        daemon->reload_wanted = true;
        break;
    }
    message_free(message);
}

void actions_take(struct daemon *daemon) {
    for (struct message *message; (message = mailbox_take(daemon->mailbox));)
        act(daemon, message);
}
