// SPDX-License-Identifier: Apache-2.0
/*
 * live.c - events with their readers, and the request for them.
 */
#include "live.h"

#include "answers.h"
#include "door.h"
#include "fingerprint.h"
#include "handlers.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#define LISTENERS_MAX 64
#define STATUS_TICKS  20 /* a status at least every 10 s, at two readings a second */
#define PIECE         8192

enum kind { KIND_STATUS, KIND_ATTEMPT, KIND_NOW, KINDS };
static const char *const kind_names[KINDS] = {"status", "attempt", "now"};

struct event {
    unsigned references;
    size_t size;
    char text[];
};

struct listener {
    struct listener *next;
    struct live *live;
    struct MHD_Connection *connection;
    bool suspended;
    bool visitor; /* let in by the token */
    bool ended;
    bool told; /* how things stand: it has come before the latest status, or asked for one */
    unsigned long seen[KINDS]; /* number of the latest event of its kind that was begun */
    struct event *sending;     /* NULL: none */
    size_t sent;
};

struct live {
    pthread_mutex_t lock;
    bool ending;
    size_t count;
    struct listener *first;
    struct event *latest[KINDS];
    unsigned long number[KINDS];
    /* What the ticker saw last. */
    uint64_t status_print;
    unsigned status_age;
    struct timespec changed; /* the snapshots' folder */
};

int live_new(struct live **live) {
    struct live *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    pthread_mutex_init(&made->lock, NULL);
    *live = made;
    return 0;
}

static void let_go(struct event *event) {
    if (event && --event->references == 0)
        free(event);
}

void live_free(struct live *live) {
    if (!live)
        return;
    for (size_t i = 0; i < KINDS; i++)
        let_go(live->latest[i]);
    pthread_mutex_destroy(&live->lock);
    free(live);
}

/* With the lock held. */
static void wake_all(struct live *live) {
    for (struct listener *listener = live->first; listener; listener = listener->next) {
        if (listener->suspended)
            MHD_resume_connection(listener->connection);
        listener->suspended = false;
    }
}

void live_end(struct live *live) {
    if (!live)
        return;
    pthread_mutex_lock(&live->lock);
    live->ending = true;
    wake_all(live);
    pthread_mutex_unlock(&live->lock);
}

void live_end_visitors(struct live *live) {
    pthread_mutex_lock(&live->lock);
    for (struct listener *listener = live->first; listener; listener = listener->next)
        listener->ended |= listener->visitor;
    wake_all(live);
    pthread_mutex_unlock(&live->lock);
}

/* ---- making events ---- */

/* Takes `json` over. */
static void publish(struct live *live, enum kind kind, json_t *json) {
    char *text = json ? json_dumps(json, JSON_COMPACT | JSON_REAL_PRECISION(9)) : NULL;
    json_decref(json);
    size_t room = text ? strlen(text) + 64 : 0;
    struct event *event = text ? malloc(sizeof *event + room) : NULL;
    if (event) {
        event->references = 1;
        event->size =
            (size_t)snprintf(event->text, room, "event: %s\ndata: %s\n\n", kind_names[kind], text);
        pthread_mutex_lock(&live->lock);
        let_go(live->latest[kind]);
        live->latest[kind] = event;
        live->number[kind]++;
        wake_all(live);
        pthread_mutex_unlock(&live->lock);
    }
    free(text);
}

/* Changes with what somebody who looks at the state wants to know at once, not with counters. */
static uint64_t print_of(const json_t *status) {
    static const char *const keys[] = {"state", "why", "phase", "crankings", "snapshots"};
    uint64_t print = FINGERPRINT_BEGIN;
    const json_t *boards = json_object_get(status, "boards");
    for (size_t i = 0; i < sizeof keys / sizeof *keys + json_array_size(boards); i++) {
        size_t board = i - sizeof keys / sizeof *keys;
        const json_t *part = i < sizeof keys / sizeof *keys
                                 ? json_object_get(status, keys[i])
                                 : json_object_get(json_array_get(boards, board), "state");
        char *text = json_dumps(part, JSON_COMPACT | JSON_ENCODE_ANY);
        if (text)
            print = fingerprint_add(print, text, strlen(text) + 1);
        free(text);
    }
    return print;
}

static void tell_status(struct live *live, const struct serve *serve, bool anew) {
    json_t *status = answer_status(&serve->parts);
    uint64_t print = print_of(status);
    if (!anew && print == live->status_print && ++live->status_age < STATUS_TICKS) {
        json_decref(status);
        return;
    }
    live->status_print = print;
    live->status_age = 0;
    publish(live, KIND_STATUS, status);
}

/* A snapshot, its report or a note came or went: the folder's own time tells. */
static void tell_attempt(struct live *live, const struct serve *serve) {
    struct stat status;
    if (stat(serve->snapshot_folder, &status) < 0 ||
        (status.st_mtim.tv_sec == live->changed.tv_sec &&
         status.st_mtim.tv_nsec == live->changed.tv_nsec))
        return;
    bool first = live->changed.tv_sec == 0;
    live->changed = status.st_mtim;
    struct snapshot_state state;
    snapshots_state(serve->parts.snapshots, &state);
    if (!first)
        publish(
            live, KIND_ATTEMPT,
            json_pack("{s:s, s:i}", "schema", "cranktrap.attempt/1", "saved", (int)state.saved));
}

void live_tick(struct serve *serve, unsigned long sequence) {
    struct live *live = serve->live;
    pthread_mutex_lock(&live->lock);
    bool anybody = live->count > 0;
    bool anew = false;
    for (struct listener *listener = live->first; listener; listener = listener->next)
        anew |= !listener->told;
    for (struct listener *listener = live->first; listener; listener = listener->next)
        listener->told = true;
    pthread_mutex_unlock(&live->lock);
    if (!anybody)
        return;
    tell_status(live, serve, anew);
    tell_attempt(live, serve);
    publish(live, KIND_NOW, answer_now(&serve->parts, sequence));
}

/* ---- sending them ---- */

/* With the lock held: the next event for this listener; NULL: it has all. */
static struct event *next_event(struct listener *listener) {
    const struct live *live = listener->live;
    for (size_t kind = 0; kind < KINDS; kind++) {
        if (!live->latest[kind] || listener->seen[kind] == live->number[kind])
            continue;
        listener->seen[kind] = live->number[kind];
        live->latest[kind]->references++;
        return live->latest[kind];
    }
    return NULL;
}

static ssize_t read_events(void *context, uint64_t position, char *bytes, size_t most) {
    (void)position;
    struct listener *listener = context;
    struct live *live = listener->live;
    ssize_t result = 0;
    pthread_mutex_lock(&live->lock);
    if (!listener->sending) {
        listener->sending = next_event(listener);
        listener->sent = 0;
    }
    if (live->ending || listener->ended) {
        result = MHD_CONTENT_READER_END_OF_STREAM;
    } else if (!listener->sending) {
        listener->suspended = true;
        MHD_suspend_connection(listener->connection);
    } else {
        size_t rest = listener->sending->size - listener->sent;
        size_t count = rest < most ? rest : most;
        memcpy(bytes, listener->sending->text + listener->sent, count);
        listener->sent += count;
        result = (ssize_t)count;
        if (count == rest) {
            let_go(listener->sending);
            listener->sending = NULL;
        }
    }
    pthread_mutex_unlock(&live->lock);
    return result;
}

static void forget(void *context) {
    struct listener *listener = context;
    struct live *live = listener->live;
    pthread_mutex_lock(&live->lock);
    for (struct listener **link = &live->first; *link; link = &(*link)->next) {
        if (*link != listener)
            continue;
        *link = listener->next;
        live->count--;
        break;
    }
    let_go(listener->sending);
    pthread_mutex_unlock(&live->lock);
    free(listener);
}

/* Puts a listener on the list; NULL: there are as many as may be, or no memory. */
static struct listener *add_listener(struct live *live, struct MHD_Connection *connection) {
    struct listener *listener = calloc(1, sizeof *listener);
    if (!listener)
        return NULL;
    listener->live = live;
    listener->connection = connection;
    listener->visitor = door_is_visitor(connection);
    pthread_mutex_lock(&live->lock);
    bool room = live->count < LISTENERS_MAX;
    if (room) {
        /* What was before it came is no news. */
        memcpy(listener->seen, live->number, sizeof listener->seen);
        listener->next = live->first;
        live->first = listener;
        live->count++;
    }
    pthread_mutex_unlock(&live->lock);
    if (!room)
        free(listener);
    return room ? listener : NULL;
}

enum MHD_Result get_live(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    struct listener *listener = add_listener(serve->live, request->connection);
    if (!listener)
        return send_error(request->connection, MHD_HTTP_SERVICE_UNAVAILABLE,
                          "64 listen already: there is no room for one more",
                          "close a page somewhere else");
    struct MHD_Response *response =
        MHD_create_response_from_callback(MHD_SIZE_UNKNOWN, PIECE, read_events, listener, forget);
    if (!response) {
        forget(listener);
        return MHD_NO;
    }
    MHD_add_response_header(response, "Connection", "close"); /* when it ends */
    MHD_add_response_header(response, "Content-Type", "text/event-stream");
    MHD_add_response_header(response, "Cache-Control", "no-store");
    MHD_add_response_header(response, "X-Content-Type-Options", "nosniff");
    enum MHD_Result result = MHD_queue_response(request->connection, MHD_HTTP_OK, response);
    MHD_destroy_response(response);
    return result;
}
