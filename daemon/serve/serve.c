// SPDX-License-Identifier: Apache-2.0
/*
 * serve.c - libmicrohttpd on a Unix socket: who asks what, and who has to wait for the answer.
 *
 * Three requests wait: `now` for the next reading, samples for the last of them, and a snapshot for
 * its end. Their connections are
 * suspended and put on a list; the ticker thread answers them when their time has come.
 */
#include "serve.h"

#include "answers.h"
#include "bench.h"
#include "night_note.h"
#include "remark.h"
#include "standing.h"

#include <errno.h>
#include <math.h>
#include <microhttpd.h>
#include <pthread.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

#define TICK_MS                250 /* how often waiting requests are looked at */
#define NOW_WAIT_TICKS         20  /* a reading is due every other tick; give up after 5 s */
#define SAMPLES_MS_MAX         10000
#define SAMPLES_PATIENCE_TICKS 40   /* for a slow board, or one that comes just now */
#define BODY_MAX               4096 /* bytes of a request's body */
#define CONNECTIONS_MAX        64
#define CONNECTION_MEMORY      32768
#define KEEP_SECONDS_MAX       3600.0 /* before and after of a snapshot asked for by hand */

struct serve {
    struct serve_parts parts;
    char *path;
    int listener;
    struct MHD_Daemon *http;
    pthread_t ticker;
    pthread_mutex_t lock; /* of all below */
    pthread_cond_t wake;
    bool ending;
    unsigned long readings; /* sequence number of the newest reading */
    struct request *waiting;
};

struct request {
    struct request *next;
    struct MHD_Connection *connection;
    bool waited;
    unsigned long after; /* now: answer with a reading newer than this */
    unsigned snapshot;   /* or: answer when this snapshot is finished; 0: none */
    bool capturing;      /* or: when watch's capture is whole */
    unsigned ticks_left;
    size_t used;
    char body[BODY_MAX];
    bool too_long;
};

/* ---- answering ---- */

static enum MHD_Result send_json(struct MHD_Connection *connection, unsigned status, json_t *json) {
    char *text = json ? json_dumps(json, JSON_COMPACT | JSON_REAL_PRECISION(9)) : NULL;
    json_decref(json);
    if (!text)
        return MHD_NO; /* no memory: the connection is closed */
    struct MHD_Response *response =
        MHD_create_response_from_buffer(strlen(text), text, MHD_RESPMEM_MUST_FREE);
    if (!response) {
        free(text);
        return MHD_NO;
    }
    MHD_add_response_header(response, "Content-Type", "application/json");
    MHD_add_response_header(response, "Cache-Control", "no-store");
    enum MHD_Result result = MHD_queue_response(connection, status, response);
    MHD_destroy_response(response);
    return result;
}

static enum MHD_Result send_error(struct MHD_Connection *connection, unsigned status,
                                  const char *text, const char *remedy) {
    return send_json(connection, status, answer_error(text, remedy));
}

/* A whole number from the query, or `missing`. */
static unsigned long query_number(struct MHD_Connection *connection, const char *name,
                                  unsigned long missing) {
    const char *text = MHD_lookup_connection_value(connection, MHD_GET_ARGUMENT_KIND, name);
    if (!text)
        return missing;
    char *end;
    errno = 0;
    unsigned long value = strtoul(text, &end, 10);
    return errno || *end || end == text ? missing : value;
}

/* ---- waiting ---- */

/* True: the request is on the list and its connection suspended. False: the server is ending. */
static bool wait_for_tick(struct serve *serve, struct request *request, unsigned ticks) {
    pthread_mutex_lock(&serve->lock);
    bool ending = serve->ending;
    if (!ending) {
        request->waited = true;
        request->ticks_left = ticks;
        MHD_suspend_connection(request->connection);
        request->next = serve->waiting;
        serve->waiting = request;
    }
    pthread_mutex_unlock(&serve->lock);
    return !ending;
}

/* Has what this request waits for come (or its patience ended)? Called with the lock held. */
static bool is_due(struct serve *serve, struct request *request) {
    if (serve->ending || request->ticks_left == 0)
        return true;
    request->ticks_left--;
    if (request->capturing)
        return watch_capture_done(serve->parts.watch);
    if (request->snapshot)
        return snapshots_wait(serve->parts.snapshots, request->snapshot, 0) != -ETIMEDOUT;
    return serve->readings > request->after;
}

static void resume_due(struct serve *serve) {
    struct request **link = &serve->waiting;
    while (*link) {
        struct request *request = *link;
        if (is_due(serve, request)) {
            *link = request->next;
            MHD_resume_connection(request->connection);
        } else {
            link = &request->next;
        }
    }
}

static void *ticker_thread(void *argument) {
    struct serve *serve = argument;
    pthread_mutex_lock(&serve->lock);
    for (unsigned long tick = 0; !serve->ending; tick++) {
        struct timespec until;
        clock_gettime(CLOCK_MONOTONIC, &until);
        until.tv_nsec += TICK_MS * 1000000L;
        if (until.tv_nsec >= 1000000000L) {
            until.tv_sec++;
            until.tv_nsec -= 1000000000L;
        }
        while (!serve->ending &&
               pthread_cond_timedwait(&serve->wake, &serve->lock, &until) != ETIMEDOUT) {
        }
        if (tick % 2)
            serve->readings++; /* readings span half a second */
        resume_due(serve);
    }
    resume_due(serve);
    pthread_mutex_unlock(&serve->lock);
    return NULL;
}

/* ---- the requests ---- */

static enum MHD_Result get_status(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    return send_json(request->connection, MHD_HTTP_OK, answer_status(&serve->parts));
}

static enum MHD_Result get_now(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    pthread_mutex_lock(&serve->lock);
    unsigned long newest = serve->readings;
    pthread_mutex_unlock(&serve->lock);
    request->after = query_number(request->connection, "after", 0);
    if (!request->waited && request->after && newest <= request->after &&
        wait_for_tick(serve, request, NOW_WAIT_TICKS))
        return MHD_YES;
    return send_json(request->connection, MHD_HTTP_OK, answer_now(&serve->parts, newest));
}

/* Of the channel asked for, or of the board; CHANNEL_NONE: the channel is all of the board. */
static bool find_samples(const struct serve *serve, struct MHD_Connection *connection,
                         size_t *board, size_t *channel) {
    const struct hookup *hookup = serve->parts.hookup;
    const char *lead = MHD_lookup_connection_value(connection, MHD_GET_ARGUMENT_KIND, "channel");
    const char *name = MHD_lookup_connection_value(connection, MHD_GET_ARGUMENT_KIND, "board");
    *channel = bench_channel(&serve->parts, lead);
    if (*channel != CHANNEL_NONE) {
        *board = hookup->vehicle.channels[*channel].stream;
        return true;
    }
    for (*board = 0; !lead && name && *board < hookup->board_count; (*board)++)
        if (strcmp(hookup->boards[*board].name, name) == 0)
            return true;
    return false;
}

static enum MHD_Result send_samples(struct serve *serve, struct request *request, size_t channel) {
    struct watch_capture capture;
    request->capturing = false;
    if (watch_capture_end(serve->parts.watch, &capture) < 0)
        return send_error(request->connection, MHD_HTTP_SERVICE_UNAVAILABLE,
                          "no whole stretch of samples came in time: the board is silent, or loses "
                          "some",
                          "look at `cranktrap status`");
    json_t *json = bench_samples(&serve->parts, &capture, channel);
    free(capture.counts);
    return send_json(request->connection, MHD_HTTP_OK, json);
}

/* /v0/samples?channel=NAME|board=NAME[&ms=MILLISECONDS] */
static enum MHD_Result get_samples(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    size_t board, channel;
    if (!find_samples(serve, request->connection, &board, &channel))
        return send_error(request->connection, MHD_HTTP_NOT_FOUND, "no such channel or board",
                          NULL);
    if (request->capturing)
        return send_samples(serve, request, channel);
    unsigned long milliseconds = query_number(request->connection, "ms", 1000);
    if (milliseconds < 1 || milliseconds > SAMPLES_MS_MAX)
        return send_error(request->connection, MHD_HTTP_BAD_REQUEST, "ms may be 1 to 10000", NULL);
    int result = watch_capture_begin(serve->parts.watch, board, (double)milliseconds * 1e-3);
    if (result == -EBUSY)
        return send_error(request->connection, MHD_HTTP_CONFLICT,
                          "somebody else is taking samples just now", "try again in some seconds");
    if (result < 0)
        return send_error(request->connection, MHD_HTTP_SERVICE_UNAVAILABLE,
                          "the board has not been seen yet", "look at `cranktrap status`");
    request->capturing = true;
    unsigned ticks = (unsigned)(3 * milliseconds / TICK_MS) + SAMPLES_PATIENCE_TICKS;
    if (wait_for_tick(serve, request, ticks))
        return MHD_YES;
    return send_samples(serve, request, channel);
}

static enum MHD_Result post_latch(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    watch_latch(serve->parts.watch);
    return send_json(request->connection, MHD_HTTP_OK, json_object());
}

/* Negative, and so out of range, where it is there but no number. */
static double seconds_of(const json_t *body, const char *name, double missing) {
    const json_t *value = json_object_get(body, name);
    if (json_is_number(value))
        return json_number_value(value);
    return !value || json_is_null(value) ? missing : -1;
}

/* A manual snapshot as the body asks for it. */
struct wish {
    int64_t at_ns;
    double before_s, after_s;
    double finished_in_s;
};

/* NULL, or why it cannot be had. */
static const char *read_wish(const struct serve_parts *parts, const json_t *body,
                             struct wish *wish) {
    const struct hookup_storage *storage = &parts->hookup->storage;
    double now_s = (double)timebase_elapsed_ns(parts->timebase) * 1e-9;
    double at_s = seconds_of(body, "at_s", now_s);
    wish->before_s = seconds_of(body, "before_s", storage->before_s);
    wish->after_s = seconds_of(body, "after_s", storage->after_s);
    if (wish->before_s < 0 || wish->before_s > KEEP_SECONDS_MAX || wish->after_s < 0 ||
        wish->after_s > KEEP_SECONDS_MAX)
        return "the time before (before_s) and after (after_s) may be 0 to 3600 seconds";
    if (at_s < 0 || at_s > now_s)
        return "the moment (at_s) is not within the elapsed time so far";
    wish->at_ns = (int64_t)(at_s * 1e9);
    wish->finished_in_s = fmax(at_s + wish->after_s - now_s, 0.0);
    return NULL;
}

static enum MHD_Result keep(struct serve *serve, struct request *request, const json_t *body) {
    struct wish wish;
    const char *wrong = read_wish(&serve->parts, body, &wish);
    if (wrong)
        return send_error(request->connection, MHD_HTTP_BAD_REQUEST, wrong, NULL);
    int number = serve->parts.keep(serve->parts.context, wish.at_ns, wish.before_s, wish.after_s,
                                   json_string_value(json_object_get(body, "text")));
    if (number == -ENOSPC || number == -EDQUOT)
        return send_error(request->connection, MHD_HTTP_INSUFFICIENT_STORAGE,
                          "no room for a snapshot; the moment is marked in the ring",
                          "delete snapshots, or raise `snapshots` in the hookup's [storage]");
    if (number < 0)
        return send_error(request->connection, MHD_HTTP_INTERNAL_SERVER_ERROR, strerror(-number),
                          NULL);
    return send_json(request->connection, MHD_HTTP_ACCEPTED,
                     json_pack("{s:s, s:i, s:f}", "schema", "cranktrap.keep/1", "number", number,
                               "finished_in_s", wish.finished_in_s));
}

/* The request's body as a JSON object, an empty one where it is empty; NULL: it is none. */
static json_t *read_body(const struct request *request) {
    json_t *body =
        request->used ? json_loadb(request->body, request->used, 0, NULL) : json_object();
    if (json_is_object(body))
        return body;
    json_decref(body);
    return NULL;
}

static enum MHD_Result post_keep(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    json_t *body = read_body(request);
    if (!body)
        return send_error(request->connection, MHD_HTTP_BAD_REQUEST,
                          "the request's body is not a JSON object", NULL);
    enum MHD_Result result = keep(serve, request, body);
    json_decref(body);
    return result;
}

/* The number at the end of /v0/snapshots/N; 0: there is none. */
static unsigned snapshot_number(const char *rest) {
    char *end;
    errno = 0;
    unsigned long number = strtoul(rest, &end, 10);
    bool wrong = errno || end == rest || *end || number > 999999;
    return wrong ? 0 : (unsigned)number;
}

static enum MHD_Result send_no_snapshot(struct request *request) {
    return send_error(request->connection, MHD_HTTP_NOT_FOUND, "no such snapshot", NULL);
}

static char *snapshot_folder(const struct serve *serve) {
    char *folder = NULL;
    return asprintf(&folder, "%s/snapshots", serve->parts.state_folder) < 0 ? NULL : folder;
}

/* Why a snapshot was not written; NULL: it was, or is under way. */
static const char *why_not_written(int result) {
    if (result == 0 || result == -ETIMEDOUT)
        return NULL;
    if (result == -ENOSPC || result == -EDQUOT)
        return "there is no room; `cranktrap status` says what to do";
    if (result == -ENODATA)
        return "the ring has nothing of that stretch";
    return strerror(-result);
}

/* What snapshot `number` is, `result` being what snapshots_wait() says of it. */
static enum MHD_Result send_snapshot(struct serve *serve, struct request *request, unsigned number,
                                     int result) {
    char *folder = snapshot_folder(serve);
    json_t *json =
        folder ? answer_snapshot(folder, number, result == 0, why_not_written(result)) : NULL;
    free(folder);
    return send_json(request->connection, MHD_HTTP_OK, json);
}

/* /v0/snapshots/N[?wait=SECONDS]: is it finished? */
static enum MHD_Result get_snapshot(struct serve *serve, struct request *request,
                                    const char *rest) {
    unsigned number = snapshot_number(rest);
    int result = number ? snapshots_wait(serve->parts.snapshots, number, 0) : -ENOENT;
    unsigned long seconds = query_number(request->connection, "wait", 0);
    if (result == -ETIMEDOUT && !request->waited && seconds) {
        request->snapshot = number;
        unsigned ticks = (unsigned)(seconds > 60 ? 60 : seconds) * (1000 / TICK_MS);
        if (wait_for_tick(serve, request, ticks))
            return MHD_YES;
    }
    if (result == -ENOENT)
        return send_no_snapshot(request);
    return send_snapshot(serve, request, number, result);
}

/* False: it is neither true, false nor absent. */
static bool read_flag(const json_t *body, const char *name, int *flag) {
    const json_t *value = json_object_get(body, name);
    *flag = json_is_boolean(value) ? json_is_true(value) : -1;
    return !value || json_is_null(value) || json_is_boolean(value);
}

static int change_snapshot(const struct serve *serve, unsigned number, const json_t *body) {
    struct remark_change change;
    const json_t *note = json_object_get(body, "note");
    if (!body || !read_flag(body, "reviewed", &change.reviewed) ||
        !read_flag(body, "hold", &change.hold) || !read_flag(body, "good", &change.good) ||
        (note && !json_is_string(note) && !json_is_null(note)))
        return -EINVAL;
    change.text = json_string_value(note);
    char *folder = snapshot_folder(serve);
    int result = folder ? remark_change(folder, number, &change) : -ENOMEM;
    free(folder);
    return result;
}

/* What a person says of a snapshot. */
static enum MHD_Result post_snapshot(struct serve *serve, struct request *request,
                                     const char *rest) {
    unsigned number = snapshot_number(rest);
    json_t *body = read_body(request);
    int result = number ? change_snapshot(serve, number, body) : -ENOENT;
    json_decref(body);
    if (result == 0)
        return send_snapshot(serve, request, number, 0);
    if (result == -ENOENT)
        return send_no_snapshot(request);
    if (result == -EINVAL || result == -E2BIG)
        return send_error(request->connection, MHD_HTTP_BAD_REQUEST,
                          "allowed: {\"reviewed\", \"hold\", \"good\": true or false, \"note\": a "
                          "text of at most 999 bytes}",
                          NULL);
    return send_error(request->connection, MHD_HTTP_INTERNAL_SERVER_ERROR, strerror(-result),
                      "make room in the state folder, and look at its rights");
}

static enum MHD_Result delete_snapshot(struct serve *serve, struct request *request,
                                       const char *rest) {
    unsigned number = snapshot_number(rest);
    char *folder = snapshot_folder(serve);
    if (!folder)
        return MHD_NO;
    int result = number ? standing_remove(folder, number) : -ENOENT;
    char text[80];
    snprintf(text, sizeof text, "snapshot %u may not go: it is %s", number,
             standing_name(standing_of(folder, number)));
    free(folder);
    if (result == -ENOENT)
        return send_no_snapshot(request);
    if (result == -EPERM)
        return send_error(request->connection, MHD_HTTP_CONFLICT, text,
                          "look at it, then mark it as reviewed, and not as held or good");
    if (result < 0)
        return send_error(request->connection, MHD_HTTP_INTERNAL_SERVER_ERROR, strerror(-result),
                          NULL);
    return send_json(request->connection, MHD_HTTP_OK, json_object());
}

/* libmicrohttpd's one thread answers all requests: notes are written one at a time. */
static enum MHD_Result post_night(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    struct timebase *timebase = serve->parts.timebase;
    json_t *note = night_note_json(timebase_wall_ns(timebase), timebase_elapsed_ns(timebase));
    int result = note ? night_note_write(serve->parts.state_folder, note) : -ENOMEM;
    if (result == 0)
        return send_json(request->connection, MHD_HTTP_OK, note);
    json_decref(note);
    return send_error(request->connection,
                      result == -ENOSPC ? MHD_HTTP_INSUFFICIENT_STORAGE
                                        : MHD_HTTP_INTERNAL_SERVER_ERROR,
                      strerror(-result), "make room in the state folder, and look at its rights");
}

static enum MHD_Result post_calibration(struct serve *serve, struct request *request,
                                        const char *rest) {
    (void)rest;
    json_t *body = read_body(request);
    json_t *answer = NULL;
    char why[512] = "";
    int result = body ? bench_calibrate(&serve->parts, body, &answer, why, sizeof why) : -EINVAL;
    json_decref(body);
    if (result == 0)
        return send_json(request->connection, MHD_HTTP_OK, answer);
    if (result == -EPERM && why[0])
        return send_error(request->connection, MHD_HTTP_CONFLICT, why, NULL);
    if (result == -ENOENT)
        return send_error(request->connection, MHD_HTTP_NOT_FOUND, "no such channel", NULL);
    if (result == -EINVAL)
        return send_error(request->connection, MHD_HTTP_BAD_REQUEST,
                          "allowed: {\"channel\", and \"forget\": true or the numbers \"known\", "
                          "\"mean\", \"rms\", \"drift\", \"lowest\", \"highest\"}",
                          NULL);
    return send_error(request->connection, MHD_HTTP_INTERNAL_SERVER_ERROR,
                      result == -EBADMSG ? "calibration.json in the state folder is damaged"
                                         : strerror(-result),
                      result == -EBADMSG ? "move it away, and calibrate anew"
                                         : "make room in the state folder, and look at its rights");
}

static const struct route {
    const char *method;
    const char *path;
    bool prefix; /* the path goes on with an argument */
    enum MHD_Result (*answer)(struct serve *serve, struct request *request, const char *rest);
} routes[] = {
    {"GET", "/v0/status", false, get_status},
    {"GET", "/v0/now", false, get_now},
    {"GET", "/v0/samples", false, get_samples},
    {"POST", "/v0/calibration", false, post_calibration},
    {"POST", "/v0/latch", false, post_latch},
    {"POST", "/v0/keep", false, post_keep},
    {"GET", "/v0/snapshots/", true, get_snapshot},
    {"POST", "/v0/snapshots/", true, post_snapshot},
    {"DELETE", "/v0/snapshots/", true, delete_snapshot},
    {"POST", "/v0/night", false, post_night},
};

static enum MHD_Result answer(struct serve *serve, struct request *request, const char *method,
                              const char *url) {
    bool path_known = false;
    for (size_t i = 0; i < sizeof routes / sizeof *routes; i++) {
        const struct route *route = &routes[i];
        size_t length = strlen(route->path);
        bool match =
            route->prefix ? strncmp(url, route->path, length) == 0 : strcmp(url, route->path) == 0;
        if (!match)
            continue;
        path_known = true;
        if (strcmp(method, route->method) == 0)
            return route->answer(serve, request, url + length);
    }
    return path_known ? send_error(request->connection, MHD_HTTP_METHOD_NOT_ALLOWED,
                                   "this path does not take that method", NULL)
                      : send_error(request->connection, MHD_HTTP_NOT_FOUND,
                                   "there is nothing at this path", "see docs/api.md");
}

static enum MHD_Result on_request(void *context, struct MHD_Connection *connection, const char *url,
                                  const char *method, const char *version, const char *upload,
                                  size_t *upload_size, void **state) {
    (void)version;
    struct serve *serve = context;
    struct request *request = *state;
    if (!request) {
        request = calloc(1, sizeof *request);
        if (!request)
            return MHD_NO;
        request->connection = connection;
        *state = request;
        return MHD_YES;
    }
    if (*upload_size) {
        size_t room = sizeof request->body - request->used;
        if (*upload_size > room)
            request->too_long = true;
        else
            memcpy(request->body + request->used, upload, *upload_size);
        request->used += *upload_size > room ? 0 : *upload_size;
        *upload_size = 0;
        return MHD_YES;
    }
    if (request->too_long)
        return send_error(connection, MHD_HTTP_CONTENT_TOO_LARGE,
                          "a request's body may have 4096 bytes", NULL);
    return answer(serve, request, method, url);
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
    free(request);
    *state = NULL;
}

/* ---- the socket ---- */

/* A socket file nobody listens at is left over from a crash: remove it. */
static int clear_stale(const struct sockaddr_un *address) {
    struct stat status;
    if (lstat(address->sun_path, &status) < 0)
        return errno == ENOENT ? 0 : -errno;
    if (!S_ISSOCK(status.st_mode))
        return -EEXIST;
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return -errno;
    int result =
        connect(fd, (const struct sockaddr *)address, sizeof *address) == 0 ? -EADDRINUSE : 0;
    close(fd);
    if (result == 0 && unlink(address->sun_path) < 0)
        result = -errno;
    return result;
}

static int listen_at(const char *path) {
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (strlen(path) >= sizeof address.sun_path)
        return -ENAMETOOLONG;
    strcpy(address.sun_path, path);
    int result = clear_stale(&address);
    if (result < 0)
        return result;
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return -errno;
    /* The mode is set before anyone can connect: listen() comes last. */
    if (bind(fd, (const struct sockaddr *)&address, sizeof address) < 0 || chmod(path, 0660) < 0 ||
        listen(fd, CONNECTIONS_MAX) < 0) {
        result = -errno;
        close(fd);
        return result;
    }
    return fd;
}

int serve_start(const char *socket_path, const struct serve_parts *parts, struct serve **serve) {
    struct serve *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->parts = *parts;
    made->readings = 1;
    pthread_condattr_t monotonic;
    pthread_condattr_init(&monotonic);
    pthread_condattr_setclock(&monotonic, CLOCK_MONOTONIC);
    pthread_cond_init(&made->wake, &monotonic);
    pthread_condattr_destroy(&monotonic);
    pthread_mutex_init(&made->lock, NULL);

    int result = -ENOMEM;
    made->listener = -1;
    made->path = strdup(socket_path);
    if (!made->path)
        goto failed;
    made->listener = listen_at(socket_path);
    result = made->listener;
    if (result < 0)
        goto failed;
    made->http = MHD_start_daemon(
        MHD_USE_INTERNAL_POLLING_THREAD | MHD_USE_AUTO | MHD_ALLOW_SUSPEND_RESUME, 0, NULL, NULL,
        on_request, made, MHD_OPTION_LISTEN_SOCKET, made->listener, MHD_OPTION_NOTIFY_COMPLETED,
        on_completed, made, MHD_OPTION_CONNECTION_LIMIT, (unsigned)CONNECTIONS_MAX,
        MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)CONNECTION_MEMORY,
        MHD_OPTION_CONNECTION_TIMEOUT, 30u, MHD_OPTION_END);
    result = made->http ? -pthread_create(&made->ticker, NULL, ticker_thread, made) : -EIO;
    if (result == 0) {
        *serve = made;
        return 0;
    }
failed:
    if (made->http)
        MHD_stop_daemon(made->http);
    else if (made->listener >= 0)
        close(made->listener);
    if (made->listener >= 0)
        unlink(made->path);
    pthread_cond_destroy(&made->wake);
    pthread_mutex_destroy(&made->lock);
    free(made->path);
    free(made);
    return result;
}

void serve_stop(struct serve *serve) {
    if (!serve)
        return;
    pthread_mutex_lock(&serve->lock);
    serve->ending = true;
    pthread_cond_signal(&serve->wake);
    pthread_mutex_unlock(&serve->lock);
    pthread_join(serve->ticker, NULL); /* it has resumed all suspended connections */
    MHD_stop_daemon(serve->http);      /* closes the listener too */
    unlink(serve->path);
    pthread_cond_destroy(&serve->wake);
    pthread_mutex_destroy(&serve->lock);
    free(serve->path);
    free(serve);
}
