// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_requests.c - one snapshot: how it stands, what is said of it, away with it.
 */
#include "handlers.h"

#include "answers.h"
#include "remark.h"
#include "standing.h"
#include "waiting.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static enum MHD_Result send_no_snapshot(struct request *request) {
    return send_error(request->connection, MHD_HTTP_NOT_FOUND, "no such snapshot", NULL);
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
    return send_json(
        request->connection, MHD_HTTP_OK,
        answer_snapshot(serve->snapshot_folder, number, result == 0, why_not_written(result)));
}

/* It was finished, and deleted since. */
static bool is_gone(const struct serve *serve, unsigned number) {
    char *path = NULL;
    if (asprintf(&path, "%s/%04u.crank", serve->snapshot_folder, number) < 0)
        return false;
    bool gone = access(path, F_OK) < 0 && errno == ENOENT;
    free(path);
    return gone;
}

/* /v0/snapshots/N[?wait=SECONDS]: is it finished? */
enum MHD_Result get_snapshot(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    unsigned number = request->number;
    int result = snapshots_wait(serve->parts.snapshots, number, 0);
    unsigned long seconds = query_number(request->connection, "wait", 0);
    if (result == -ETIMEDOUT && !request->waited && seconds) {
        request->snapshot = number;
        unsigned ticks = (unsigned)(seconds > 60 ? 60 : seconds) * (1000 / TICK_MS);
        if (wait_for_tick(serve, request, ticks))
            return MHD_YES;
    }
    if (result == -ENOENT || (result == 0 && is_gone(serve, number)))
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
    return remark_change(serve->snapshot_folder, number, &change);
}

/* What a person says of a snapshot. */
enum MHD_Result post_snapshot(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    unsigned number = request->number;
    json_t *body = read_body(request);
    int result = change_snapshot(serve, number, body);
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

enum MHD_Result delete_snapshot(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    unsigned number = request->number;
    const char *folder = serve->snapshot_folder;
    int result = standing_remove(folder, number);
    char text[80];
    snprintf(text, sizeof text, "snapshot %u may not go: it is %s", number,
             standing_name(standing_of(folder, number)));
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
