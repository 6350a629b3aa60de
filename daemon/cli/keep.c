// SPDX-License-Identifier: Apache-2.0
/*
 * keep.c - `cranktrap keep`: a snapshot of this moment, or of one that the ring still has; waits
 * until it is on disk.
 */
#include "client.h"
#include "command.h"
#include "moment.h"
#include "print.h"

#include <math.h>
#include <stdio.h>
#include <unistd.h>

/* Waits for snapshot `number`; an exit status. */
static int wait_for(const struct command_line *line, int number) {
    char path[64];
    snprintf(path, sizeof path, "/v0/snapshots/%d?wait=30", number);
    bool finished = false;
    json_t *answer = NULL;
    while (!finished) {
        json_decref(answer);
        answer = NULL;
        if (client_ask(line, "GET", path, NULL, false, &answer) < 0)
            return COMMAND_COULD_NOT;
        finished = json_is_true(json_object_get(answer, "finished"));
        const char *error = json_string_value(json_object_get(answer, "error"));
        if (error) {
            command_say(line, "snapshot %d could not be written: %s", number, error);
            json_decref(answer);
            return COMMAND_COULD_NOT;
        }
    }
    if (line->json)
        return print_json(answer);
    printf("Snapshot %d: %s\n", number, json_string_value(json_object_get(answer, "path")));
    json_decref(answer);
    return COMMAND_DONE;
}

/* What was said on the command line. */
struct wish {
    const char *at, *from, *to, *before, *after;
};

/* A moment of wall time as the daemon's elapsed seconds. COMMAND_DONE, or said. */
static int read_moment(const struct command_line *line, const char *option, const char *text,
                       const json_t *status, double *elapsed_s) {
    double now_s = json_number_value(json_object_get(status, "wall_ms")) * 1e-3;
    double wall_s = moment_read(text, now_s);
    if (isnan(wall_s))
        return command_usage(line, "--%s \"%s\": a TIME like 2026-01-15T04:12:07, 04:12 or -90s",
                             option, text);
    *elapsed_s = json_number_value(json_object_get(status, "elapsed_s")) - (now_s - wall_s);
    if (wall_s <= now_s && *elapsed_s >= 0)
        return COMMAND_DONE;
    command_say(line, "--%s \"%s\": %s", option, text,
                wall_s > now_s ? "that is yet to come; name the day as well if it was another one"
                               : "that was before this computer was switched on");
    return COMMAND_COULD_NOT;
}

static int read_span(const struct command_line *line, const char *option, const char *text,
                     const char *key, json_t *body) {
    double seconds = text ? print_read_seconds(text) : 0;
    if (seconds < 0)
        return command_usage(line, "--%s \"%s\": a time like 20s or 1.5min", option, text);
    if (text)
        json_object_set_new(body, key, json_real(seconds));
    return COMMAND_DONE;
}

/* `--at`, or `--from` and `--to`, by the daemon's clock. */
static int read_moments(const struct command_line *line, const struct wish *wish, json_t *body) {
    json_t *status = NULL;
    double at_s = 0, to_s = 0;
    if (!wish->at && !wish->from)
        return COMMAND_DONE;
    if (client_ask(line, "GET", "/v0/status", NULL, false, &status) < 0)
        return COMMAND_COULD_NOT;
    int wrong = wish->at ? read_moment(line, "at", wish->at, status, &at_s)
                         : read_moment(line, "from", wish->from, status, &at_s);
    if (!wrong && wish->to)
        wrong = read_moment(line, "to", wish->to, status, &to_s);
    json_decref(status);
    if (!wrong && wish->to && to_s <= at_s)
        wrong = command_usage(line, "--to lies before --from");
    json_object_set_new(body, "at_s", json_real(at_s));
    if (wish->to) {
        json_object_set_new(body, "before_s", json_real(0));
        json_object_set_new(body, "after_s", json_real(to_s - at_s));
    }
    return wrong;
}

static int read_wish(const struct command_line *line, const struct wish *wish, json_t *body) {
    if (!wish->from != !wish->to)
        return command_usage(line, "--from TIME and --to TIME belong together");
    if (wish->from && (wish->at || wish->before || wish->after))
        return command_usage(line, "--from and --to say all: without --at, --before, --after");
    int wrong = read_span(line, "before", wish->before, "before_s", body);
    if (!wrong)
        wrong = read_span(line, "after", wish->after, "after_s", body);
    if (!wrong)
        wrong = read_moments(line, wish, body);
    json_object_set_new(body, "text", json_string(line->argc > 1 ? line->argv[1] : "kept by hand"));
    return wrong;
}

static int keep(const struct command_line *line, const json_t *body) {
    json_t *answer = NULL;
    if (client_ask(line, "POST", "/v0/keep", body, false, &answer) < 0)
        return COMMAND_COULD_NOT;
    int number = (int)json_integer_value(json_object_get(answer, "number"));
    double left_s = json_number_value(json_object_get(answer, "finished_in_s"));
    json_decref(answer);
    if (!line->json && left_s > 0 && isatty(STDERR_FILENO))
        fprintf(stderr, "Snapshot %d: marked; %.0f s of it are still being recorded ...\n", number,
                left_s);
    return wait_for(line, number);
}

int command_keep(const struct command_line *given) {
    struct command_line line = *given;
    const struct wish wish = {.at = command_option(&line, "at"),
                              .from = command_option(&line, "from"),
                              .to = command_option(&line, "to"),
                              .before = command_option(&line, "before"),
                              .after = command_option(&line, "after")};
    int wrong = command_words(&line, 0, 1);
    if (wrong)
        return wrong;
    json_t *body = json_object();
    wrong = read_wish(&line, &wish, body);
    if (!wrong)
        wrong = keep(&line, body);
    json_decref(body);
    return wrong;
}
