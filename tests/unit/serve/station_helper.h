// SPDX-License-Identifier: Apache-2.0
/*
 * station_helper.h - everything the API shows, real but at rest (a board that was never started),
 * in a folder of its own; a trigger on the battery below 9 V that may save nothing; and a client
 * that speaks HTTP by hand over the Unix socket.
 */
#ifndef CRANKTRAP_TESTS_STATION_HELPER_H
#define CRANKTRAP_TESTS_STATION_HELPER_H

#include "serve.h"

#include <jansson.h>
#include <stddef.h>

/* What the board says of its inputs; the battery lies behind a divider of 5.7. */
#define STATION_VOLTS_PER_COUNT 0.0016
#define STATION_ZERO            640.0 /* counts at 0 V */

struct station {
    char folder[64];
    char socket_path[96];
    struct serve_parts parts;
    struct hookup *hookup;
    struct serve *serve; /* NULL until station_serve() */

    /* What the API's keep() was called with last, and what it returns. */
    unsigned kept, noted; /* how often; notes leave at_ns and text ("NAME: TEXT") too */
    int64_t at_ns;
    double before_s, after_s;
    char text[64]; /* "(none)" for NULL */
    int keep_result;
};

/* Makes one; fails the test where it cannot. station_close() removes everything. */
void station_open(struct station *station);
void station_serve(struct station *station);
void station_close(struct station *station);

/* Half a second of the board: constant counts of its two leads, through the live detectors. */
void station_watch(struct station *station, int32_t battery, int32_t feed);

/* Opens a connection; sends a request with `body` (NULL: none), which asks for it to be closed
 * after the answer. */
int station_connect(const struct station *station);
void station_send(int connection, const char *method, const char *path, const char *body,
                  size_t body_length);

/* Reads to the end, closes; the status, and (unless NULL) the JSON body in `*answer`, which must
 * be one. 0: closed without an answer. */
int station_receive(int connection, json_t **answer);

/* All of it. */
int station_ask(const struct station *station, const char *method, const char *path,
                const char *body, json_t **answer);

/* The text of a key, or "". */
const char *station_text(const json_t *object, const char *key);

#endif
