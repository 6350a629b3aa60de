// SPDX-License-Identifier: Apache-2.0
/*
 * command_requests.c - what the command `cranktrap` prints, made by a child process: the analysis
 * stays out of the daemon. An answer's ETag is of the files that it is made from, so that it is
 * made once as long as they stay.
 */
#include "handlers.h"

#include "answers.h"
#include "child.h"
#include "fingerprint.h"
#include "kept_answers.h"
#include "routes.h"
#include "text_file.h"
#include "workers.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define SECONDS_MAX  60
#define OUTPUT_MAX   (16u << 20)
#define REPORT_MAX   (4u << 20)
#define SNAPSHOT_MAX 999999
/* Exit statuses of `cranktrap`: it does not know that option; it could not do it, and said why. */
#define WRONG_CALL 2
#define COULD_NOT  3
#define NOT_BUILT  "this build of cranktrap does not make that kind of report"
#define NOT_CALLED "no `cranktrap` to ask: it must lie beside `cranktrapd`"

/* ---- on a worker ---- */

static uint64_t add_words(uint64_t print, char *const word[]) {
    for (; *word; word++)
        print = fingerprint_add(print, *word, strlen(*word) + 1);
    return print;
}

/* Of a list: whatever snapshot, report or note changes, and when the night began. */
static void list_etag(const struct request *request, char etag[24]) {
    static const char *const endings[] = {".crank", ".json", ".note", NULL};
    uint64_t print = fingerprint_of_folder(request->serve->snapshot_folder, endings);
    char *night = NULL;
    if (asprintf(&night, "%s/night.json", request->serve->parts.state_folder) >= 0)
        print = fingerprint_add_file(print, -1, night);
    free(night);
    fingerprint_text(add_words(print, request->word), etag);
}

/* Of one snapshot's report: the snapshot itself, and the report the daemon had made of it. */
static void report_etag(const struct request *request, const char *crank, char etag[24]) {
    uint64_t print = fingerprint_add_file(FINGERPRINT_BEGIN, -1, crank);
    fingerprint_text(add_words(print, request->word), etag);
}

static void child_failed(struct answer *answer, int result, const char *said) {
    if (result == -ETIMEDOUT)
        answer_is_error(answer, MHD_HTTP_GATEWAY_TIMEOUT, "it took longer than a minute",
                        "ask for less, or use the command `cranktrap`");
    else if (result == -EFBIG)
        answer_is_error(answer, MHD_HTTP_INTERNAL_SERVER_ERROR, "there is more than 16 MiB of it",
                        "use the command `cranktrap`");
    else if (result == -ECANCELED)
        answer_is_error(answer, MHD_HTTP_SERVICE_UNAVAILABLE, "the daemon is ending", NULL);
    else
        answer_is_error(answer, MHD_HTTP_INTERNAL_SERVER_ERROR,
                        said[0]      ? said
                        : result < 0 ? strerror(-result)
                                     : "the command `cranktrap` said nothing",
                        NULL);
}

static int run_child(struct request *request, struct child_output *output) {
    return child_run(request->word, SECONDS_MAX, OUTPUT_MAX, &request->serve->ending_workers,
                     output);
}

/* Makes the answer of what the child has printed, which is then the answer's. */
static void take_output(struct request *request, int result, const char *type, const char *etag,
                        struct child_output *output) {
    struct answer *answer = &request->answer;
    if (result == WRONG_CALL) {
        answer_is_error(answer, MHD_HTTP_NOT_FOUND, NOT_BUILT,
                        "install what README.md names for reports, and build anew");
        return;
    }
    if (result != 0 || !output->size) {
        child_failed(answer, result, output->said);
        return;
    }
    answer->status = MHD_HTTP_OK;
    answer->type = type;
    answer->bytes = output->bytes;
    answer->size = output->size;
    output->bytes = NULL;
    if (*etag)
        kept_answers_keep(request, etag);
}

/* ETag "": the answer is of this moment, and not kept. */
static void run(struct request *request, const char *type, const char *etag) {
    struct child_output output = {0};
    int result = run_child(request, &output);
    take_output(request, result, type, etag, &output);
    free(output.bytes);
}

static void work_on_list(struct request *request) {
    char etag[24];
    list_etag(request, etag);
    if (!kept_answers_known(request, etag))
        run(request, "application/json", etag);
}

/* The report that lies beside the snapshot, where this version of the program made it. */
static bool read_made_report(const char *crank, struct answer *answer) {
    char *path = NULL, *text = NULL;
    size_t length = 0;
    if (asprintf(&path, "%.*s.json", (int)(strlen(crank) - strlen(".crank")), crank) < 0)
        return false;
    int result = text_file_read(path, REPORT_MAX, &text, &length);
    free(path);
    json_t *report = result == 0 ? json_loadb(text, length, 0, NULL) : NULL;
    const char *software = json_string_value(json_object_get(report, "software"));
    bool ours = software && strcmp(software, "cranktrap " CRANKTRAP_VERSION) == 0;
    json_decref(report);
    if (!ours) {
        free(text);
        return false;
    }
    answer->status = MHD_HTTP_OK;
    answer->type = "application/json";
    answer->bytes = text;
    answer->size = length;
    return true;
}

#define READY_CRANK 7 /* word of the command: the number of the test crank */

/* Is there no such file? Then the answer says so. */
static bool is_missing(struct request *request, const char *crank) {
    if (access(crank, F_OK) == 0)
        return false;
    answer_is_error(&request->answer, MHD_HTTP_NOT_FOUND, "no such snapshot",
                    "GET /v0/attempts lists those there are");
    return true;
}

static void work_on_report(struct request *request) {
    const char *crank = request->word[2];
    char etag[24];
    if (is_missing(request, crank))
        return;
    report_etag(request, crank, etag);
    if (kept_answers_known(request, etag))
        return;
    if (!read_made_report(crank, &request->answer)) {
        run(request, "application/json", etag);
        return;
    }
    kept_answers_keep(request, etag);
}

/* A sheet: the report for the customer, as the child's drawing routine makes it. */
static void work_on_sheet(struct request *request) {
    static const char *const types[][2] = {{"--pdf", "application/pdf"},
                                           {"--html", "text/html; charset=utf-8"},
                                           {"--png", "image/png"},
                                           {"--svg", "image/svg+xml"}};
    const char *crank = request->word[2];
    char etag[24];
    if (is_missing(request, crank))
        return;
    report_etag(request, crank, etag);
    for (size_t i = 0; i < sizeof types / sizeof *types; i++)
        if (strcmp(request->word[3], types[i][0]) == 0 && !kept_answers_known(request, etag))
            run(request, types[i][1], etag);
}

/* What the leads show; beside it the test crank, where one was named. */
static void work_on_moment(struct request *request) {
    const char *number = request->word[READY_CRANK];
    char *crank = NULL;
    if (number && asprintf(&crank, "%s/%04lu.crank", request->serve->snapshot_folder,
                           strtoul(number, NULL, 10)) < 0)
        crank = NULL;
    if (!crank || !is_missing(request, crank))
        run(request, "application/json", "");
    free(crank);
}

/* Two attempts beside each other. What is not there to compare is no fault of the daemon's. */
static void work_on_comparison(struct request *request) {
    char etag[24];
    list_etag(request, etag);
    if (kept_answers_known(request, etag))
        return;
    struct child_output output = {0};
    struct answer *answer = &request->answer;
    int result = run_child(request, &output);
    if (result == COULD_NOT && output.said[0])
        answer_is_error(answer, MHD_HTTP_NOT_FOUND, output.said,
                        "GET /v0/attempts lists those there are; POST {\"good\": true} to one");
    else
        take_output(request, result, "application/json", etag, &output);
    free(output.bytes);
}

/* ---- the requests ---- */

/* Copies the words of the command; false without memory. */
static bool set_words(struct request *request, const char *const *words) {
    for (size_t i = 0; words[i] && i + 1 < COMMAND_WORDS; i++)
        if (!(request->word[i] = strdup(words[i])))
            return false;
    return true;
}

static enum MHD_Result ask(struct request *request, const char *const *words,
                           void (*work)(struct request *request)) {
    struct serve *serve = request->serve;
    if (!request->worked && !words[0])
        return send_error(request->connection, MHD_HTTP_SERVICE_UNAVAILABLE, NOT_CALLED, NULL);
    if (!request->worked && !set_words(request, words))
        return MHD_NO;
    return hand_over(request, serve->commands, work);
}

enum MHD_Result get_attempts(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    const char *const words[] = {serve->parts.program,      "list",   "--state",
                                 serve->parts.state_folder, "--json", NULL};
    return ask(request, words, work_on_list);
}

/* A time as a person writes it: it becomes a word of the command, never part of a shell's line. */
static bool is_time(const char *text) {
    return *text != '-' && strlen(text) < 40 &&
           text[strspn(text, "0123456789:-+. TZabcdefghijklmnopqrstuvwxyz")] == '\0';
}

enum MHD_Result get_night(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    const char *since = query_text(request, "since");
    if (since && !is_time(since))
        return send_error(request->connection, MHD_HTTP_BAD_REQUEST, "since is no time",
                          "as in `cranktrap night --since`: \"2026-01-15 22:00\"");
    const char *const words[] = {
        serve->parts.program,     "night", "--state", serve->parts.state_folder, "--json",
        since ? "--since" : NULL, since,   NULL};
    return ask(request, words, work_on_list);
}

enum MHD_Result get_report(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    char *path = NULL;
    if (asprintf(&path, "%s/%04u.crank", serve->snapshot_folder, request->number) < 0)
        return MHD_NO;
    const char *const words[] = {serve->parts.program, "report", path, "--json", NULL};
    enum MHD_Result result = ask(request, words, work_on_report);
    free(path);
    return result;
}

/* /report.pdf, .html, .png, .svg: the command's option is named as its path ends. */
enum MHD_Result get_sheet(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    const char *paper = query_text(request, "paper");
    bool letter = paper && strcmp(paper, "letter") == 0;
    if (paper && !letter && strcmp(paper, "a4") != 0)
        return send_error(request->connection, MHD_HTTP_BAD_REQUEST, "paper may be a4 or letter",
                          NULL);
    char *path = NULL;
    char *format = NULL;
    enum MHD_Result result = MHD_NO;
    if (asprintf(&path, "%s/%04u.crank", serve->snapshot_folder, request->number) < 0)
        return MHD_NO;
    if (asprintf(&format, "--%s", strchr(request->route->tail, '.') + 1) >= 0) {
        const char *const words[] = {serve->parts.program,      "report", path, format,
                                     letter ? "--paper" : NULL, "letter", NULL};
        result = ask(request, words, work_on_sheet);
        free(format);
    }
    free(path);
    return result;
}

/* /compare[?with=M]: beside M; without it beside the good one that the command finds. */
enum MHD_Result get_comparison(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    unsigned long with = query_number(request->connection, "with", 0);
    if (query_text(request, "with") && (with < 1 || with > SNAPSHOT_MAX))
        return send_error(request->connection, MHD_HTTP_BAD_REQUEST,
                          "with may be the number of a snapshot", NULL);
    char first[16], second[16];
    snprintf(first, sizeof first, "%u", request->number);
    snprintf(second, sizeof second, "%lu", with);
    const char *const words[] = {serve->parts.program,      "compare", "--state",
                                 serve->parts.state_folder, "--json",  first,
                                 with ? second : NULL,      NULL};
    return ask(request, words, work_on_comparison);
}

/*
 * What the leads show just now, as `cranktrap ready` judges it; no night begins with it.
 * ?crank=N: snapshot N is the test crank.
 */
enum MHD_Result get_ready(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    unsigned long crank = query_number(request->connection, "crank", 0);
    if (query_text(request, "crank") && (crank < 1 || crank > SNAPSHOT_MAX))
        return send_error(request->connection, MHD_HTTP_BAD_REQUEST,
                          "crank may be the number of a snapshot", NULL);
    char number[16];
    snprintf(number, sizeof number, "%lu", crank);
    const char *const words[] = {serve->parts.program,      "ready",  "--state",
                                 serve->parts.state_folder, "--look", "--json",
                                 crank ? "--crank" : NULL,  number,   NULL};
    return ask(request, words, work_on_moment);
}
