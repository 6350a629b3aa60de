// SPDX-License-Identifier: Apache-2.0
/*
 * bench_requests.c - raw samples of a board, and calibrations.
 */
#include "handlers.h"

#include "bench.h"
#include "waiting.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define SAMPLES_MS_MAX         10000
#define SAMPLES_PATIENCE_TICKS 40 /* for a slow board, or one that comes just now */

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
enum MHD_Result get_samples(struct serve *serve, struct request *request, const char *rest) {
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

enum MHD_Result post_calibration(struct serve *serve, struct request *request, const char *rest) {
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
