// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_change.c - a hookup's text checked as the file would be, and taken as the copy in the
 * state folder. The file that somebody wrote is never touched.
 */
#include "handlers.h"

#include "answers.h"
#include "fingerprint.h"
#include "hookup_copy.h"
#include "text_file.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define RELOAD_TICKS 2

/* "[channel crank-feed] nominal" as its two parts; either may be missing. */
static void add_place(json_t *json, const char *where) {
    const char *end = where && where[0] == '[' ? strchr(where, ']') : NULL;
    const char *key = end ? end + 1 : where;
    while (key && *key == ' ')
        key++;
    json_object_set_new(json, "section",
                        end ? json_stringn(where + 1, (size_t)(end - where - 1)) : json_null());
    json_object_set_new(json, "key", key && *key ? json_string(key) : json_null());
}

static json_t *problems_json(const struct problems *problems) {
    json_t *list = json_array();
    for (size_t i = 0; i < problems->count; i++) {
        const struct problem *problem = &problems->problem[i];
        json_t *json = json_object();
        json_object_set_new(json, "line", json_integer(problem->line));
        add_place(json, problem->where);
        json_object_set_new(json, "read", problem->read ? json_string(problem->read) : json_null());
        json_object_set_new(json, "text", json_string(problem->text));
        json_array_append_new(list, json);
    }
    return list;
}

/* The body as a hookup: 0 and `*hookup`, -EINVAL and its problems, or another negative errno. */
static int read_hookup(const struct request *request, struct hookup **hookup,
                       struct problems *problems) {
    const char *text = request->body ? request->body : "";
    return hookup_parse_live(text, request->used, hookup, problems);
}

static json_t *checked(const struct problems *problems) {
    return json_pack("{s:s, s:o}", "schema", "cranktrap.hookup-problems/1", "problems",
                     problems_json(problems));
}

enum MHD_Result post_hookup_check(struct serve *serve, struct request *request, const char *rest) {
    (void)serve;
    (void)rest;
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    int result = read_hookup(request, &hookup, &problems);
    hookup_free(hookup);
    json_t *json = checked(&problems);
    problems_clear(&problems);
    if (result == 0 || result == -EINVAL)
        return send_json(request->connection, MHD_HTTP_OK, json);
    json_decref(json);
    return send_error(request->connection, MHD_HTTP_INTERNAL_SERVER_ERROR, strerror(-result), NULL);
}

/* Is what the asker changed still what is there? Without If-Match it does not care. */
static bool is_unchanged(const struct serve *serve, const struct request *request) {
    const char *match =
        MHD_lookup_connection_value(request->connection, MHD_HEADER_KIND, MHD_HTTP_HEADER_IF_MATCH);
    char etag[24];
    char *text = hookup_copy_read(&serve->parts);
    hookup_copy_etag(text ? text : "", etag);
    free(text);
    return !match || strcmp(match, "*") == 0 || strcmp(match, etag) == 0;
}

/* Not before the answer has gone: a reload closes all connections. */
static void reload_soon(struct serve *serve) {
    pthread_mutex_lock(&serve->lock);
    serve->ticks_to_reload = RELOAD_TICKS;
    pthread_mutex_unlock(&serve->lock);
}

static enum MHD_Result take(struct serve *serve, struct request *request,
                            const struct hookup *hookup, const struct problems *problems) {
    const struct serve_parts *parts = &serve->parts;
    int result = text_file_replace(parts->state_folder, HOOKUP_COPY_NAME, request->body);
    if (result < 0)
        return send_error(
            request->connection,
            result == -ENOSPC ? MHD_HTTP_INSUFFICIENT_STORAGE : MHD_HTTP_INTERNAL_SERVER_ERROR,
            strerror(-result), "make room in the state folder, and look at its rights");
    char why[200];
    bool now = hookup_copy_takes_effect(parts, hookup, why, sizeof why);
    json_t *json = checked(problems);
    json_object_set_new(json, "takes_effect", json_string(now ? "now" : "restart"));
    json_object_set_new(json, "why", why[0] ? json_string(why) : json_null());
    if (now)
        reload_soon(serve);
    return send_json(request->connection, MHD_HTTP_OK, json);
}

enum MHD_Result put_hookup(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    if (!is_unchanged(serve, request))
        return send_error(request->connection, MHD_HTTP_PRECONDITION_FAILED,
                          "the hookup was changed meanwhile by somebody else",
                          "load it anew, and make the change again");
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    int result = read_hookup(request, &hookup, &problems);
    enum MHD_Result sent;
    if (result == 0)
        sent = take(serve, request, hookup, &problems);
    else if (result == -EINVAL)
        sent = send_json(request->connection, MHD_HTTP_UNPROCESSABLE_CONTENT, checked(&problems));
    else
        sent = send_error(request->connection, MHD_HTTP_INTERNAL_SERVER_ERROR, strerror(-result),
                          NULL);
    problems_clear(&problems);
    hookup_free(hookup);
    return sent;
}
