// SPDX-License-Identifier: Apache-2.0
/*
 * serve.c - libmicrohttpd between the listeners and the handlers: takes requests in, within their
 * bounds, and finds who answers them.
 */
#include "serve.h"

#include "door.h"
#include "kept_answers.h"
#include "listeners.h"
#include "live.h"
#include "page_files.h"
#include "phone.h"
#include "request.h"
#include "ring_notes.h"
#include "routes.h"
#include "shown.h"
#include "waiting.h"
#include "workers.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define BODY_MAX          4096 /* bytes of a request's body, where its route says nothing else */
#define BODY_PASSED_OVER  (1u << 20) /* beyond its bound: then the connection is closed */
#define CONNECTION_MEMORY 32768
#define IDLE_SECONDS      30u
#define COMMAND_THREADS   2
#define DRAWING_THREADS   2

/* ---- a request comes in ---- */

static size_t body_max(const struct request *request) {
    return request->route && request->route->body_max ? request->route->body_max : BODY_MAX;
}

static enum MHD_Result send_too_long(struct request *request) {
    char text[64];
    snprintf(text, sizeof text, "a request's body may have %zu bytes", body_max(request));
    return send_error(request->connection, MHD_HTTP_CONTENT_TOO_LARGE, text, NULL);
}

static enum MHD_Result begin_request(struct serve *serve, struct MHD_Connection *connection,
                                     const char *url, const char *method, struct request **state) {
    struct request *request = calloc(1, sizeof *request);
    if (!request)
        return MHD_NO;
    request->serve = serve;
    request->connection = connection;
    *state = request;
    enum MHD_Result result;
    if (!door_let_in(request, url, &result))
        return result;
    const char *rest;
    bool known;
    request->route = route_find(method, url, &request->number, &rest, &known);
    /* Who says beforehand that it is far too much need not send it. */
    const char *length =
        MHD_lookup_connection_value(connection, MHD_HEADER_KIND, MHD_HTTP_HEADER_CONTENT_LENGTH);
    if (length && strtoull(length, NULL, 10) > body_max(request) + BODY_PASSED_OVER)
        return send_too_long(request);
    return MHD_YES;
}

/* What is too long is passed over, so that its sender hears of it; but not for ever. */
static enum MHD_Result take_body(struct request *request, const char *bytes, size_t size) {
    size_t most = body_max(request);
    if (request->too_long || size > most - request->used) {
        request->too_long = true;
        request->used += size;
        return request->used > most + BODY_PASSED_OVER ? MHD_NO : MHD_YES;
    }
    char *grown = realloc(request->body, request->used + size + 1);
    if (!grown)
        return MHD_NO;
    memcpy(grown + request->used, bytes, size);
    request->body = grown;
    request->used += size;
    grown[request->used] = '\0';
    return MHD_YES;
}

static enum MHD_Result answer(struct serve *serve, struct request *request, const char *method,
                              const char *url) {
    const char *rest;
    bool known;
    const struct route *route = route_find(method, url, &request->number, &rest, &known);
    if (route)
        return route->answer(serve, request, rest);
    return known ? send_error(request->connection, MHD_HTTP_METHOD_NOT_ALLOWED,
                              "this path does not take that method", NULL)
                 : send_error(request->connection, MHD_HTTP_NOT_FOUND,
                              "there is nothing at this path", "see docs/api.md");
}

static enum MHD_Result on_request(void *context, struct MHD_Connection *connection, const char *url,
                                  const char *method, const char *version, const char *upload,
                                  size_t *upload_size, void **state) {
    (void)version;
    struct request *request = *state;
    if (!request)
        return begin_request(context, connection, url, method, (struct request **)state);
    if (*upload_size) {
        size_t size = *upload_size;
        *upload_size = 0;
        return take_body(request, upload, size);
    }
    if (request->too_long)
        return send_too_long(request);
    return answer(context, request, method, url);
}

static void on_completed(void *context, struct MHD_Connection *connection, void **state,
                         enum MHD_RequestTerminationCode code) {
    (void)connection;
    (void)code;
    struct serve *serve = context;
    struct request *request = *state;
    struct watch_capture capture;
    /* Who asked for samples has gone before they had come. */
    if (request && request->capturing && watch_capture_end(serve->parts.watch, &capture) == 0)
        free(capture.counts);
    request_free(request);
    *state = NULL;
}

static void on_connection(void *context, struct MHD_Connection *connection, void **socket_context,
                          enum MHD_ConnectionNotificationCode code) {
    (void)socket_context;
    struct serve *serve = context;
    if (code == MHD_CONNECTION_NOTIFY_CLOSED)
        listeners_closed(serve->listeners, door_is_network(connection));
}

/* ---- starting and ending ---- */

int serve_listen(const char *path) {
    return listeners_open_socket(path);
}

/* The caller's own listener goes on when its copy here is closed. */
static int listen_at_given(struct serve *serve) {
    int file = fcntl(*serve->parts.listener, F_DUPFD_CLOEXEC, 3);
    if (file < 0 || fcntl(file, F_SETFL, O_NONBLOCK) < 0) /* accept() must not wait */
        return -errno;
    int result = listeners_add(serve->listeners, file);
    if (result < 0)
        close(file);
    return result;
}

static int listen_at_path(struct serve *serve, const char *socket_path) {
    int file = listeners_open_socket(socket_path);
    if (file < 0)
        return file;
    serve->socket_path = strdup(socket_path);
    int result = serve->socket_path ? listeners_add(serve->listeners, file) : -ENOMEM;
    if (result < 0) {
        close(file);
        unlink(socket_path);
    }
    return result;
}

static int listen_at(struct serve *serve, const char *socket_path) {
    int result =
        serve->parts.listener ? listen_at_given(serve) : listen_at_path(serve, socket_path);
    if (result < 0 || !serve->parts.listen)
        return result;
    int file = listeners_open_network(serve->parts.listen);
    if (file < 0)
        return file;
    listeners_name(file, serve->address, sizeof serve->address);
    return listeners_add(serve->listeners, file);
}

/* Without the page everything else is there; a folder that was named must hold it. */
static int read_page(struct serve *serve) {
    int result = serve->parts.page_folder ? page_read(serve->parts.page_folder, &serve->page) : 0;
    return result == -ENOENT ? 0 : result;
}

static int start_http(struct serve *serve) {
    serve->http = MHD_start_daemon(MHD_USE_INTERNAL_POLLING_THREAD | MHD_USE_AUTO |
                                       MHD_ALLOW_SUSPEND_RESUME | MHD_USE_NO_LISTEN_SOCKET,
                                   0, NULL, NULL, on_request, serve, MHD_OPTION_NOTIFY_COMPLETED,
                                   on_completed, serve, MHD_OPTION_NOTIFY_CONNECTION, on_connection,
                                   serve, MHD_OPTION_CONNECTION_LIMIT,
                                   (unsigned)(LISTENERS_SOCKET_MAX + LISTENERS_NETWORK_MAX + 16),
                                   MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)CONNECTION_MEMORY,
                                   MHD_OPTION_CONNECTION_TIMEOUT, IDLE_SECONDS, MHD_OPTION_END);
    return serve->http ? listeners_start(serve->http, &serve->listeners) : -EIO;
}

static int make(const struct serve_parts *parts, struct serve **serve) {
    struct serve *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    *serve = made;
    made->parts = *parts;
    made->readings = 1;
    pthread_condattr_t monotonic;
    pthread_condattr_init(&monotonic);
    pthread_condattr_setclock(&monotonic, CLOCK_MONOTONIC);
    pthread_cond_init(&made->wake, &monotonic);
    pthread_condattr_destroy(&monotonic);
    pthread_mutex_init(&made->lock, NULL);
    if (asprintf(&made->snapshot_folder, "%s/snapshots", parts->state_folder) < 0)
        made->snapshot_folder = NULL;
    if (asprintf(&made->ring_folder, "%s/ring", parts->state_folder) < 0)
        made->ring_folder = NULL;
    return made->snapshot_folder && made->ring_folder ? 0 : -ENOMEM;
}

int serve_start(const char *socket_path, const struct serve_parts *parts, struct serve **serve) {
    struct serve *made = NULL;
    int result = make(parts, &made);
    if (result == 0)
        result = read_page(made);
    if (result == 0)
        result = kept_answers_new(&made->kept);
    if (result == 0)
        result = shown_new(&made->shown);
    if (result == 0)
        result = ring_notes_new(made->ring_folder, &made->notes);
    if (result == 0)
        result = live_new(&made->live);
    if (result == 0)
        result = phone_new(&made->phone);
    if (result == 0)
        result = workers_start(COMMAND_THREADS, &made->commands);
    if (result == 0)
        result = workers_start(DRAWING_THREADS, &made->drawing);
    if (result == 0)
        result = start_http(made);
    if (result == 0)
        result = -pthread_create(&made->ticker, NULL, waiting_ticker, made);
    if (made)
        made->ticking = result == 0;
    if (result == 0)
        result = listen_at(made, socket_path);
    if (result < 0)
        serve_stop(made);
    else
        *serve = made;
    return result;
}

const char *serve_address(const struct serve *serve) {
    return serve->address;
}

bool serve_has_page(const struct serve *serve) {
    return serve->page != NULL;
}

/* Nobody may be suspended when libmicrohttpd stops: the ticker and the workers let all go on. */
static void stop_threads(struct serve *serve) {
    atomic_store(&serve->ending_workers, true);
    pthread_mutex_lock(&serve->lock);
    serve->ending = true;
    pthread_cond_signal(&serve->wake);
    pthread_mutex_unlock(&serve->lock);
    if (serve->ticking)
        pthread_join(serve->ticker, NULL);
    live_end(serve->live);
    listeners_stop(serve->listeners);
}

void serve_stop(struct serve *serve) {
    if (!serve)
        return;
    stop_threads(serve);
    workers_stop(serve->commands);
    workers_stop(serve->drawing);
    if (serve->http)
        MHD_stop_daemon(serve->http);
    listeners_free(serve->listeners);
    if (serve->socket_path)
        unlink(serve->socket_path);
    workers_free(serve->commands);
    workers_free(serve->drawing);
    kept_answers_free(serve->kept);
    shown_free(serve->shown);
    ring_notes_free(serve->notes);
    live_free(serve->live);
    phone_free(serve->phone);
    page_free(serve->page);
    pthread_cond_destroy(&serve->wake);
    pthread_mutex_destroy(&serve->lock);
    free(serve->socket_path);
    free(serve->snapshot_folder);
    free(serve->ring_folder);
    free(serve);
}
