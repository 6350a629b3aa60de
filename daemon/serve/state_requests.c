// SPDX-License-Identifier: Apache-2.0
/*
 * state_requests.c - how the daemon stands, what the leads read now, and moments kept by hand.
 */
#include "handlers.h"

#include "answers.h"
#include "night_note.h"
#include "waiting.h"

#include <errno.h>
#include <math.h>
#include <string.h>

#define KEEP_SECONDS_MAX 3600.0 /* before and after of a snapshot asked for by hand */

enum MHD_Result get_status(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    return send_json(request->connection, MHD_HTTP_OK, answer_status(&serve->parts));
}

enum MHD_Result get_now(struct serve *serve, struct request *request, const char *rest) {
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

enum MHD_Result post_latch(struct serve *serve, struct request *request, const char *rest) {
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

enum MHD_Result post_keep(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    json_t *body = read_body(request);
    if (!body)
        return send_error(request->connection, MHD_HTTP_BAD_REQUEST,
                          "the request's body is not a JSON object", NULL);
    enum MHD_Result result = keep(serve, request, body);
    json_decref(body);
    return result;
}

/* libmicrohttpd's one thread answers all requests: notes are written one at a time. */
enum MHD_Result post_night(struct serve *serve, struct request *request, const char *rest) {
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
