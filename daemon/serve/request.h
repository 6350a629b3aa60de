// SPDX-License-Identifier: Apache-2.0
/*
 * request.h - a client's question on its way to its answer, and what every group of answers
 * shares. Inside daemon/serve only.
 *
 * Handlers run on libmicrohttpd's one thread, one at a time. What takes longer is handed to
 * workers, what has to wait for something to the ticker; the connection is suspended meanwhile, and
 * its handler called again afterwards.
 */
#ifndef CRANKTRAP_REQUEST_H
#define CRANKTRAP_REQUEST_H

#include "serve.h"

#include <jansson.h>
#include <microhttpd.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct workers;
struct page;
struct listeners;
struct kept_answers;
struct live;
struct phone;
struct shown;
struct ring_notes;
struct request;
struct route;

struct serve {
    struct serve_parts parts;
    char *snapshot_folder, *ring_folder;
    char *socket_path; /* NULL: not listening yet */
    char address[80];  /* over TCP; "": not */
    struct page *page; /* NULL: none was built */
    struct listeners *listeners;
    struct MHD_Daemon *http;
    struct workers *commands; /* children of ours: seconds */
    struct workers *drawing;  /* pictures of stretches: tens of milliseconds */
    struct live *live;
    struct phone *phone;
    struct kept_answers *kept;  /* what children printed last */
    struct shown *shown;        /* snapshots that are looked at */
    struct ring_notes *notes;   /* marks and losses in the ring */
    atomic_bool ending_workers; /* what still waits is answered with 503 */

    pthread_t ticker;
    bool ticking;
    pthread_mutex_t lock; /* of all below */
    pthread_cond_t wake;
    bool ending;
    unsigned long readings; /* sequence number of the newest reading */
    struct request *waiting;
    unsigned ticks_to_reload; /* then the hookup is to be read anew; 0: it is not */
};

/* An answer that is not made on the spot. All of it zero: nothing yet. */
struct answer {
    unsigned status;
    const char *type; /* Content-Type; static */
    char *bytes;      /* owned */
    size_t size;
    char etag[24]; /* with its quotes; "": none */
    char file[64]; /* the name to store it under; "": it is shown */
};

#define COMMAND_WORDS 12

struct request {
    struct request *next;
    struct serve *serve;
    struct MHD_Connection *connection;
    const struct route *route;
    bool waited;
    unsigned long after; /* now: answer with a reading newer than this */
    unsigned snapshot;   /* or: answer when this snapshot is finished; 0: none */
    bool capturing;      /* or: when watch's capture is whole */
    unsigned ticks_left;

    void (*work)(struct request *request); /* on a worker: fills `answer` */
    bool worked;
    struct answer answer;
    char if_none_match[24];
    /* What the worker is to do, as far as the kind of request needs it. */
    unsigned number;           /* of a snapshot */
    char *word[COMMAND_WORDS]; /* of the command, NULL-terminated; owned */
    double from_s, to_s;
    size_t columns;

    size_t used;
    char *body; /* NUL-terminated where there is one */
    bool too_long;
};

/* libmicrohttpd's thread. Answers with a JSON (taken over; NULL: no memory, the connection is
 * closed), or with an error. What to return from the handler. */
enum MHD_Result send_json(struct MHD_Connection *connection, unsigned status, json_t *json);
enum MHD_Result send_error(struct MHD_Connection *connection, unsigned status, const char *text,
                           const char *remedy);

/* Sends `request->answer` and empties it. */
enum MHD_Result send_answer(struct request *request);

/* On a worker: the answer is a JSON (taken over; NULL: no memory), or an error. */
void answer_is_json(struct answer *answer, json_t *json);
void answer_is_error(struct answer *answer, unsigned status, const char *text, const char *remedy);

/* Frees what it holds. */
void answer_clear(struct answer *answer);

/* A value from the query, or NULL. */
const char *query_text(const struct request *request, const char *name);

/* A whole number from the query, or `missing`, also where it is no number. */
unsigned long query_number(struct MHD_Connection *connection, const char *name,
                           unsigned long missing);

/* A finite number from the query; false: it is there but none. Absent: `missing`. */
bool query_real(const struct request *request, const char *name, double missing, double *value);

/* The request's body as a JSON object, an empty one where it is empty; NULL: it is none. */
json_t *read_body(const struct request *request);

/* True: suspended until the ticker finds that it is due. False: the server is ending. */
bool wait_for_tick(struct serve *serve, struct request *request, unsigned ticks);

/*
 * Has `work` make the answer on a worker, and sends it when called again. What to return from the
 * handler.
 */
enum MHD_Result hand_over(struct request *request, struct workers *workers,
                          void (*work)(struct request *request));

/* Frees a request. */
void request_free(struct request *request);

#endif
