// SPDX-License-Identifier: Apache-2.0
/*
 * draw_requests.c - stretches at a width: of a snapshot, and of the ring.
 */
#include "handlers.h"

#include "drawing.h"
#include "fingerprint.h"
#include "kept_answers.h"
#include "overview.h"
#include "ring_notes.h"
#include "shown.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define COLUMNS     1000
#define LOSSES_MAX  4000
#define RING_S      3600.0 /* of the ring, where nothing is said: the last hour */
#define STRETCH_MAX 1e7    /* seconds; a third of a year */
/* Losses of the last seconds may have a reason that is not on the disk yet. */
#define SETTLED_NS INT64_C(10000000000)
/* Where the samples are fewer than the columns each is given a time of its own: so many columns a
 * sample tell it to 3 % of their distance. */
#define FINER 16

static struct drawing_wish wish_of(const struct request *request) {
    return (struct drawing_wish){.from_s = request->from_s,
                                 .to_s = request->to_s,
                                 .columns = request->columns,
                                 .channels = request->word[0]};
}

static void failed(struct answer *answer, int error, const char *why) {
    if (error == -ENOENT)
        answer_is_error(answer, MHD_HTTP_NOT_FOUND,
                        "no such snapshot: it was deleted, or never was",
                        "GET /v0/attempts lists those there are");
    else
        answer_is_error(answer, MHD_HTTP_INTERNAL_SERVER_ERROR,
                        why && *why ? why : strerror(-error), NULL);
}

/* ---- a snapshot, on a worker ---- */

static int draw_snapshot(const struct request *request, const struct shown_snapshot *snapshot,
                         json_t **json) {
    const struct record *record = playback_record(snapshot->playback);
    struct drawing_wish wish = wish_of(request);
    wish.from_s = isnan(wish.from_s) ? record->from_s : wish.from_s;
    wish.to_s = isnan(wish.to_s) ? record->to_s : wish.to_s;
    if (!(wish.from_s < wish.to_s))
        return -EINVAL;
    struct drawing *drawing = NULL;
    int result = drawing_new(record->vehicle, &wish, &drawing);
    if (result == 0 && drawing_is_finer(snapshot->fine, &wish))
        drawing_of_finer(drawing, snapshot->fine);
    else if (result == 0)
        result = drawing_record(drawing, record);
    if (result >= 0)
        *json = drawing_json(drawing, drawing_losses(drawing, record));
    drawing_free(drawing);
    return result;
}

static void snapshot_etag(const struct request *request, uint64_t print, char etag[24]) {
    const double numbers[] = {request->from_s, request->to_s, (double)request->columns};
    print = fingerprint_add(print, numbers, sizeof numbers);
    if (request->word[0])
        print = fingerprint_add(print, request->word[0], strlen(request->word[0]));
    fingerprint_text(print, etag);
}

static void draw_file(struct request *request, const char *path, uint64_t print) {
    struct shown *shown = request->serve->shown;
    const struct shown_snapshot *snapshot = NULL;
    json_t *json = NULL;
    char why[512] = "";
    int result = shown_take(shown, path, print, &snapshot, why, sizeof why);
    if (result == 0) {
        result = draw_snapshot(request, snapshot, &json);
        shown_give_back(shown, snapshot);
    }
    if (result == -EINVAL)
        answer_is_error(&request->answer, MHD_HTTP_BAD_REQUEST,
                        "from_s must lie before to_s, both in the snapshot", NULL);
    else if (result < 0)
        failed(&request->answer, result, why);
    else
        answer_is_json(&request->answer, json);
}

static void work_on_snapshot(struct request *request) {
    char *path = NULL, etag[24];
    if (asprintf(&path, "%s/%04u.crank", request->serve->snapshot_folder, request->number) < 0)
        return;
    uint64_t print = fingerprint_add_file(FINGERPRINT_BEGIN, -1, path);
    snapshot_etag(request, print, etag);
    if (!kept_answers_known(request, etag)) {
        draw_file(request, path, print);
        if (request->answer.status == MHD_HTTP_OK)
            kept_answers_keep(request, etag);
    }
    free(path);
}

/* ---- the ring, on a worker ---- */

/* How many columns the overview is asked for: those wanted, or enough to tell samples apart. */
static size_t columns_of(const struct drawing_wish *wish, double rate_hz, bool *fine) {
    double scans = (wish->to_s - wish->from_s) * rate_hz;
    *fine = scans > 0 && scans <= (double)wish->columns;
    return *fine ? (size_t)ceil(scans + 1) * FINER : wish->columns;
}

static void put_columns(struct drawing *drawing, const struct hookup *hookup,
                        const struct overview_window *window, const struct overview_column *drawn,
                        bool fine) {
    double from_s = (double)window->from_ns * 1e-9;
    double column_s = (double)(window->to_ns - window->from_ns) * 1e-9 / (double)window->columns;
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++) {
        const struct vehicle_channel *channel = &hookup->vehicle.channels[i];
        if (channel->stream != window->stream || channel->input >= window->inputs ||
            !drawing_wants(drawing, i))
            continue;
        for (size_t column = 0; column < window->columns; column++) {
            const struct overview_column *found = &drawn[column * window->inputs + channel->input];
            if (found->low > found->high)
                continue;
            if (fine)
                drawing_sample(drawing, i, from_s + ((double)column + 0.5) * column_s, found->low);
            else
                drawing_extremes(drawing, i, column, found->low, found->high, found->mean);
        }
    }
}

/* Why: as a LOSS of the ring has it; an epoch that ends without one was the end of a recording. */
static json_t *reason_of(const struct request *request, size_t board,
                         const struct overview_loss *loss) {
    const struct serve_parts *parts = &request->serve->parts;
    char reason[RING_NOTE_TEXT];
    bool unknown = loss->scans == RECORD_LOSS_UNKNOWN;
    if (ring_notes_reason(request->serve->notes, (uint16_t)board, loss->from_ns, loss->to_ns,
                          unknown, reason)) {
        json_t *json = json_string(reason); /* NULL: no UTF-8 */
        return json ? json : json_null();
    }
    bool settled = loss->to_ns < timebase_elapsed_ns(parts->timebase) - SETTLED_NS;
    return unknown && settled ? json_string("recording began anew") : json_null();
}

static void put_losses(const struct request *request, size_t board, const struct overview *overview,
                       json_t *losses) {
    size_t count;
    const struct overview_loss *loss = overview_losses(overview, &count);
    if (count)
        (void)ring_notes_look(request->serve->notes, RING_NOTES_BUDGET_NS);
    for (size_t i = 0; i < count && json_array_size(losses) < LOSSES_MAX; i++)
        json_array_append_new(losses, json_pack("{s:f, s:f, s:o, s:o}", "from_s",
                                                (double)loss[i].from_ns * 1e-9, "to_s",
                                                (double)loss[i].to_ns * 1e-9, "reason",
                                                reason_of(request, board, &loss[i]), "scans",
                                                loss[i].scans == RECORD_LOSS_UNKNOWN
                                                    ? json_null()
                                                    : json_integer((json_int_t)loss[i].scans)));
}

static int draw_board(struct request *request, struct overview *overview, size_t board,
                      const struct drawing_wish *wish, struct drawing *drawing, json_t *losses) {
    const struct hookup *hookup = request->serve->parts.hookup;
    struct intake_status status;
    intake_status(request->serve->parts.intake, board, &status);
    bool fine;
    struct overview_window window = {.stream = (uint16_t)board,
                                     .inputs = hookup->boards[board].inputs,
                                     .from_ns = (int64_t)(wish->from_s * 1e9),
                                     .to_ns = (int64_t)(wish->to_s * 1e9),
                                     .columns = columns_of(wish, status.rate_hz, &fine)};
    if (!window.inputs)
        return 0;
    struct overview_column *drawn = calloc(window.columns * window.inputs, sizeof *drawn);
    if (!drawn)
        return -ENOMEM;
    int result = overview_draw(overview, request->serve->parts.memory, &window, drawn);
    /* -EBADMSG: a damaged spot was passed over, the rest is there */
    if (result == 0 || result == -EBADMSG)
        put_columns(drawing, hookup, &window, drawn, fine);
    if (result == 0 || result == -EBADMSG)
        put_losses(request, board, overview, losses);
    free(drawn);
    return result == -EBADMSG ? 0 : result;
}

static int draw_ring(struct request *request, struct overview *overview, json_t **json) {
    const struct serve_parts *parts = &request->serve->parts;
    struct drawing_wish wish = wish_of(request);
    struct drawing *drawing = NULL;
    json_t *losses = json_array();
    int result = drawing_new(&parts->hookup->vehicle, &wish, &drawing);
    for (size_t i = 0; result == 0 && i < parts->hookup->board_count; i++)
        result = draw_board(request, overview, i, &wish, drawing, losses);
    if (result == 0) {
        intake_hold_hookup(parts->intake); /* calibrations change the scales */
        *json = drawing_json(drawing, json_incref(losses));
        intake_release_hookup(parts->intake);
    }
    json_decref(losses);
    drawing_free(drawing);
    return result;
}

static void work_on_ring(struct request *request) {
    struct overview *overview = NULL;
    json_t *json = NULL;
    int result = overview_open(request->serve->ring_folder, &overview);
    if (result == 0)
        result = draw_ring(request, overview, &json);
    overview_free(overview);
    if (result < 0)
        failed(&request->answer, result, NULL);
    else
        answer_is_json(&request->answer, json);
}

/* ---- the requests ---- */

static enum MHD_Result send_wrong(struct request *request) {
    return send_error(request->connection, MHD_HTTP_BAD_REQUEST,
                      "from_s and to_s are seconds, from_s before to_s; columns may be 1 to 4000",
                      NULL);
}

/* False: what is asked for makes no sense. */
static bool read_wish(struct request *request, double from_s, double to_s) {
    request->columns = query_number(request->connection, "columns", COLUMNS);
    const char *channels = query_text(request, "channels");
    free(request->word[0]);
    request->word[0] = channels && *channels ? strdup(channels) : NULL;
    if (query_text(request, "columns") && !query_number(request->connection, "columns", 0))
        return false;
    return query_real(request, "from_s", from_s, &request->from_s) &&
           query_real(request, "to_s", to_s, &request->to_s) && request->columns >= 1 &&
           request->columns <= DRAWING_COLUMNS_MAX && !(request->from_s >= request->to_s) &&
           !(fabs(request->from_s) > STRETCH_MAX) && !(fabs(request->to_s) > STRETCH_MAX);
}

enum MHD_Result get_snapshot_draw(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    if (!request->worked && !read_wish(request, (double)NAN, (double)NAN))
        return send_wrong(request);
    return hand_over(request, serve->drawing, work_on_snapshot);
}

enum MHD_Result get_ring_draw(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    double now_s = (double)timebase_elapsed_ns(serve->parts.timebase) * 1e-9;
    if (!request->worked && !read_wish(request, now_s > RING_S ? now_s - RING_S : 0, now_s))
        return send_wrong(request);
    return hand_over(request, serve->drawing, work_on_ring);
}
