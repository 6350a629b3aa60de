// SPDX-License-Identifier: Apache-2.0
/*
 * keep.c - `cranktrap keep`: a snapshot of this moment, and wait until it is on disk.
 */
#include "client.h"
#include "command.h"
#include "print.h"

#include <math.h>
#include <stdio.h>
#include <unistd.h>

/* Waits for snapshot `number`; an exit status. */
static int wait_for(const struct command_line *line, int number, double after_s) {
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
    (void)after_s;
    if (line->json)
        return print_json(answer);
    printf("Snapshot %d: %s\n", number, json_string_value(json_object_get(answer, "path")));
    json_decref(answer);
    return COMMAND_DONE;
}

int command_keep(const struct command_line *given) {
    struct command_line line = *given;
    const char *before = command_option(&line, "before");
    const char *after = command_option(&line, "after");
    int wrong = command_words(&line, 0, 1);
    if (wrong)
        return wrong;
    json_t *body = json_object();
    if (before) {
        double seconds = print_read_seconds(before);
        if (seconds < 0)
            wrong = command_usage(&line, "--before \"%s\": a time like 20s or 1.5min", before);
        json_object_set_new(body, "before_s", json_real(seconds));
    }
    if (after && !wrong) {
        double seconds = print_read_seconds(after);
        if (seconds < 0)
            wrong = command_usage(&line, "--after \"%s\": a time like 20s or 1.5min", after);
        json_object_set_new(body, "after_s", json_real(seconds));
    }
    json_object_set_new(body, "text", json_string(line.argc > 1 ? line.argv[1] : "kept by hand"));
    json_t *answer = NULL;
    int result = wrong ? -1 : client_ask(&line, "POST", "/v0/keep", body, false, &answer);
    json_decref(body);
    if (wrong)
        return wrong;
    if (result < 0)
        return COMMAND_COULD_NOT;
    int number = (int)json_integer_value(json_object_get(answer, "number"));
    double after_s = json_number_value(json_object_get(answer, "finished_in_s"));
    json_decref(answer);
    if (!line.json && isatty(STDERR_FILENO))
        fprintf(stderr, "Snapshot %d: marked; the %.0f s after it are still being recorded ...\n",
                number, after_s);
    return wait_for(&line, number, after_s);
}
