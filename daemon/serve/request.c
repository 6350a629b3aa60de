// SPDX-License-Identifier: Apache-2.0
/*
 * request.c - sending, reading what was asked, and handing over to workers.
 */
#include "request.h"

#include "answers.h"
#include "workers.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define JSON_TYPE "application/json"

/* ---- sending ---- */

static enum MHD_Result send_text(struct MHD_Connection *connection, unsigned status, char *text) {
    struct MHD_Response *response =
        MHD_create_response_from_buffer(strlen(text), text, MHD_RESPMEM_MUST_FREE);
    if (!response) {
        free(text);
        return MHD_NO;
    }
    MHD_add_response_header(response, "Content-Type", JSON_TYPE);
    MHD_add_response_header(response, "Cache-Control", "no-store");
    MHD_add_response_header(response, "X-Content-Type-Options", "nosniff");
    enum MHD_Result result = MHD_queue_response(connection, status, response);
    MHD_destroy_response(response);
    return result;
}

enum MHD_Result send_json(struct MHD_Connection *connection, unsigned status, json_t *json) {
    char *text = json ? json_dumps(json, JSON_COMPACT | JSON_REAL_PRECISION(9)) : NULL;
    json_decref(json);
    return text ? send_text(connection, status, text) : MHD_NO; /* no memory: it is closed */
}

enum MHD_Result send_error(struct MHD_Connection *connection, unsigned status, const char *text,
                           const char *remedy) {
    return send_json(connection, status, answer_error(text, remedy));
}

static void add_headers(struct MHD_Response *response, const struct answer *answer) {
    char disposition[96];
    if (answer->type)
        MHD_add_response_header(response, "Content-Type", answer->type);
    MHD_add_response_header(response, "X-Content-Type-Options", "nosniff");
    MHD_add_response_header(response, "Cache-Control", answer->etag[0] ? "no-cache" : "no-store");
    if (answer->etag[0])
        MHD_add_response_header(response, "ETag", answer->etag);
    if (answer->file[0]) {
        snprintf(disposition, sizeof disposition, "attachment; filename=\"%s\"", answer->file);
        MHD_add_response_header(response, "Content-Disposition", disposition);
    }
    if (answer->status == MHD_HTTP_SERVICE_UNAVAILABLE)
        MHD_add_response_header(response, "Retry-After", "1");
}

enum MHD_Result send_answer(struct request *request) {
    struct answer *answer = &request->answer;
    struct MHD_Response *response =
        answer->status
            ? MHD_create_response_from_buffer(answer->size, answer->bytes, MHD_RESPMEM_MUST_FREE)
            : NULL;
    if (!response) {
        answer_clear(answer);
        return MHD_NO;
    }
    answer->bytes = NULL; /* the response's now */
    add_headers(response, answer);
    enum MHD_Result result = MHD_queue_response(request->connection, answer->status, response);
    MHD_destroy_response(response);
    answer_clear(answer);
    return result;
}

void answer_is_json(struct answer *answer, json_t *json) {
    char *text = json ? json_dumps(json, JSON_COMPACT | JSON_REAL_PRECISION(12)) : NULL;
    json_decref(json);
    if (!text)
        return;
    answer->status = MHD_HTTP_OK;
    answer->type = JSON_TYPE;
    answer->bytes = text;
    answer->size = strlen(text);
}

void answer_is_error(struct answer *answer, unsigned status, const char *text, const char *remedy) {
    answer_clear(answer);
    answer_is_json(answer, answer_error(text, remedy));
    if (answer->status)
        answer->status = status;
}

void answer_clear(struct answer *answer) {
    free(answer->bytes);
    *answer = (struct answer){0};
}

/* ---- what was asked ---- */

const char *query_text(const struct request *request, const char *name) {
    return MHD_lookup_connection_value(request->connection, MHD_GET_ARGUMENT_KIND, name);
}

unsigned long query_number(struct MHD_Connection *connection, const char *name,
                           unsigned long missing) {
    const char *text = MHD_lookup_connection_value(connection, MHD_GET_ARGUMENT_KIND, name);
    if (!text)
        return missing;
    char *end;
    errno = 0;
    unsigned long value = strtoul(text, &end, 10);
    return errno || *end || end == text ? missing : value;
}

bool query_real(const struct request *request, const char *name, double missing, double *value) {
    const char *text = query_text(request, name);
    if (!text) {
        *value = missing;
        return true;
    }
    char *end;
    double read = strtod(text, &end);
    if (end == text || *end || !isfinite(read))
        return false;
    *value = read;
    return true;
}

json_t *read_body(const struct request *request) {
    json_t *body =
        request->used ? json_loadb(request->body, request->used, 0, NULL) : json_object();
    if (json_is_object(body))
        return body;
    json_decref(body);
    return NULL;
}

/* ---- workers ---- */

static void do_work(void *context) {
    struct request *request = context;
    if (atomic_load(&request->serve->ending_workers))
        answer_is_error(&request->answer, MHD_HTTP_SERVICE_UNAVAILABLE, "the daemon is ending",
                        NULL);
    else
        request->work(request);
    request->worked = true;
    MHD_resume_connection(request->connection);
}

enum MHD_Result hand_over(struct request *request, struct workers *workers,
                          void (*work)(struct request *request)) {
    if (request->worked)
        return send_answer(request);
    const char *etag = MHD_lookup_connection_value(request->connection, MHD_HEADER_KIND,
                                                   MHD_HTTP_HEADER_IF_NONE_MATCH);
    snprintf(request->if_none_match, sizeof request->if_none_match, "%s", etag ? etag : "");
    request->work = work;
    MHD_suspend_connection(request->connection);
    if (workers_put(workers, do_work, request) == 0)
        return MHD_YES;
    /* It goes on by itself: the handler is called again, and finds this. */
    answer_is_error(&request->answer, MHD_HTTP_SERVICE_UNAVAILABLE, "too much is asked at once",
                    "ask again in a second");
    request->worked = true;
    MHD_resume_connection(request->connection);
    return MHD_YES;
}

void request_free(struct request *request) {
    if (!request)
        return;
    for (size_t i = 0; i < COMMAND_WORDS; i++)
        free(request->word[i]);
    answer_clear(&request->answer);
    free(request->body);
    free(request);
}
