// SPDX-License-Identifier: Apache-2.0
/*
 * ready.c - `cranktrap ready`: is it fit to be left? One walk around the key, one test crank.
 */
#include "ready.h"

#include "client.h"
#include "print.h"
#include "ready_known.h"
#include "ready_sine.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define HOURS        12.0
#define WAIT_S       120.0
#define SNAPSHOT_MAX 999999

static const char *text(const json_t *object, const char *key) {
    const char *found = json_string_value(json_object_get(object, key));
    return found ? found : "";
}

static double board_rate(const json_t *status, const char *name) {
    size_t i;
    json_t *board;
    json_array_foreach(json_object_get(status, "boards"), i, board) {
        const json_t *rate = json_object_get(board, "rate_hz");
        if (strcmp(text(board, "board"), name) == 0 && json_is_number(rate))
            return json_number_value(rate);
    }
    return (double)NAN;
}

static bool begin_leads(struct ready *ready) {
    const json_t *channels = json_object_get(ready->now, "channels");
    ready->lead_count = json_array_size(channels);
    ready->leads = calloc(ready->lead_count + 1, sizeof *ready->leads);
    if (!ready->leads)
        return false;
    for (size_t i = 0; i < ready->lead_count; i++) {
        const json_t *channel = json_array_get(channels, i);
        struct ready_lead *lead = &ready->leads[i];
        *lead = (struct ready_lead){.name = text(channel, "channel"),
                                    .role = text(channel, "role"),
                                    .unit = text(channel, "unit"),
                                    .board = text(channel, "board"),
                                    .noise = (double)NAN,
                                    .input = {.cross_talk = (double)NAN},
                                    .edges_per_s = (double)NAN,
                                    .samples = (double)NAN,
                                    .rate_needed_hz = (double)NAN,
                                    .notes = json_array()};
    }
    return true;
}

static void done(struct ready *ready) {
    for (size_t i = 0; ready->leads && i < ready->lead_count; i++)
        json_decref(ready->leads[i].notes);
    free(ready->leads);
    json_decref(ready->status_before);
    json_decref(ready->status_after);
    json_decref(ready->now);
    json_decref(ready->report);
    json_decref(ready->reasons);
    json_decref(ready->unproven);
    json_decref(ready->night);
}

/* Nothing can be proven by a daemon that sees nothing. */
static bool is_watching(const struct ready *ready) {
    const char *state = text(ready->status_before, "state");
    if (strcmp(state, "not-watching") != 0 && strcmp(state, "waiting-for-board") != 0)
        return true;
    command_say(ready->line, "the daemon says %s: %s; put that right first", state,
                text(ready->status_before, "why"));
    return false;
}

/* `crank`: the snapshot of the test crank, 0: none, or it is yet to come. */
static int get_ready(struct ready *ready, unsigned crank) {
    const struct command_line *line = ready->line;
    if (client_ask(line, "GET", "/v0/status", NULL, false, &ready->status_before) < 0)
        return COMMAND_COULD_NOT;
    if (!is_watching(ready) || client_ask(line, "GET", "/v0/now", NULL, false, &ready->now) < 0 ||
        !begin_leads(ready) || (crank && ready_take_crank(ready, crank) < 0) ||
        ready_walk(ready) < 0 ||
        client_ask(line, "GET", "/v0/status", NULL, false, &ready->status_after) < 0)
        return COMMAND_COULD_NOT;
    for (size_t i = 0; i < ready->lead_count; i++)
        ready->leads[i].rate_hz = board_rate(ready->status_after, ready->leads[i].board);
    ready_judge_leads(ready);
    ready_judge_inputs(ready);
    ready_look_at_room(ready);
    ready_judge_whole(ready);
    int result =
        ready->look ? 0 : client_ask(line, "POST", "/v0/night", NULL, false, &ready->night);
    if (line->json)
        return print_json(ready_json(ready)) == COMMAND_DONE && result == 0 ? COMMAND_DONE
                                                                            : COMMAND_COULD_NOT;
    ready_print(ready);
    return result < 0 ? COMMAND_COULD_NOT : COMMAND_DONE;
}

/* 0, or COMMAND_USAGE with it said. */
static int refuse_after(struct command_line *line) {
    if (!command_flag(line, "after"))
        return 0;
    command_say(line, "--after is not there yet; without it `ready` checks zero, noise, levels and "
                      "rate");
    return COMMAND_USAGE;
}

int command_ready(const struct command_line *given) {
    struct command_line line = *given;
    int wrong = refuse_after(&line);
    if (wrong)
        return wrong;
    int status;
    if (ready_known(&line, &status) || ready_sine(&line, &status))
        return status;
    struct ready ready = {.line = &line, .hours = HOURS, .wait_s = WAIT_S};
    const char *hours = command_option(&line, "hours");
    const char *wait = command_option(&line, "wait");
    const char *crank = command_option(&line, "crank");
    ready.look = command_flag(&line, "look");
    ready.crank = !command_flag(&line, "no-crank") && !ready.look;
    wrong = command_words(&line, 0, 0);
    if (wrong)
        return wrong;
    char *end = NULL;
    ready.hours = hours ? strtod(hours, &end) : HOURS;
    if (hours && (end == hours || *end || !(ready.hours > 0 && ready.hours <= 10000)))
        return command_usage(&line, "--hours \"%s\": a number of hours, up to 10000", hours);
    unsigned long number = crank ? strtoul(crank, &end, 10) : 0;
    ready.wait_s = wait ? print_read_seconds(wait) : ready.look ? 0 : WAIT_S;
    if (!(ready.wait_s >= 0 && ready.wait_s <= 86400))
        return command_usage(&line, "--wait \"%s\": a time like 90s or 5min, up to a day", wait);
    if (crank && (!ready.look || number < 1 || number > SNAPSHOT_MAX || *end))
        return command_usage(&line, "--crank \"%s\": the number of a snapshot, with --look", crank);
    ready.reasons = json_array();
    ready.unproven = json_array();
    if (!ready.look)
        ready_print_cautions(&ready);
    status = get_ready(&ready, (unsigned)number);
    done(&ready);
    return status;
}
