// SPDX-License-Identifier: Apache-2.0
/*
 * now.c - `cranktrap now`: the leads live, in a table that stands still.
 */
#include "client.h"
#include "command.h"
#include "print.h"

#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static volatile sig_atomic_t stopped;

static void on_signal(int number) {
    (void)number;
    stopped = 1;
}

/* What prints as zero prints without a sign. */
static double without_sign_of_zero(double value, int decimals) {
    return fabs(value) < 0.5 * pow(10, -decimals) ? 0.0 : value;
}

/* A value in a column of 9, or dashes where there is none. */
static void print_value(const json_t *reading, const char *key, int decimals) {
    const json_t *value = json_object_get(reading, key);
    if (json_is_number(value))
        printf(" %8.*f", decimals, without_sign_of_zero(json_number_value(value), decimals));
    else
        printf(" %8s", "-");
}

static void print_table(const json_t *now, bool wiggle, bool clear) {
    const char *wall = json_string_value(json_object_get(now, "wall"));
    const char *end_of_line = clear ? "\033[K\n" : "\n";
    printf("%s  phase %s%s", wall ? wall : "", json_string_value(json_object_get(now, "phase")),
           end_of_line);
    printf("%-20s %-9s    %8s %8s %8s %8s %8s%s", "channel", "unit", wiggle ? "least" : "lowest",
           wiggle ? "most" : "highest", "meter", wiggle ? "newest" : "duty %", "edges/s",
           end_of_line);
    bool any_stale = false;
    size_t index;
    json_t *reading;
    json_array_foreach(json_object_get(now, "channels"), index, reading) {
        const char *unit = json_string_value(json_object_get(reading, "unit"));
        bool fresh = json_is_true(json_object_get(reading, "fresh"));
        any_stale = any_stale || !fresh;
        printf("%-20.20s %-9s %s", json_string_value(json_object_get(reading, "channel")), unit,
               fresh ? "  " : "? ");
        print_value(reading, wiggle ? "latched_low" : "lowest", 3);
        print_value(reading, wiggle ? "latched_high" : "highest", 3);
        print_value(reading, "average", 3);
        if (wiggle) {
            print_value(reading, "newest", 3);
        } else if (json_is_number(json_object_get(reading, "duty"))) {
            printf(" %8.1f", 100 * json_number_value(json_object_get(reading, "duty")));
        } else {
            printf(" %8s", "-");
        }
        print_value(reading, "edges_per_s", 0);
        fputs(end_of_line, stdout);
    }
    printf("meter: what an averaging meter would show over the last half second%s", end_of_line);
    if (clear || any_stale) /* a table that is written anew keeps its lines */
        printf("?: nothing came from this lead's board within the last second%s", end_of_line);
    fflush(stdout);
}

static int follow(const struct command_line *line, bool wiggle) {
    json_t *now = NULL;
    int result = client_ask(line, "GET", "/v0/now", NULL, false, &now);
    size_t rows = json_array_size(json_object_get(now, "channels")) + 4;
    for (bool first = true; result == 0 && !stopped; first = false) {
        if (!first)
            printf("\033[%zuA\r", rows);
        print_table(now, wiggle, true);
        char path[64];
        snprintf(path, sizeof path, "/v0/now?after=%lld",
                 (long long)json_integer_value(json_object_get(now, "sequence")));
        json_decref(now);
        now = NULL;
        result = client_ask(line, "GET", path, NULL, false, &now);
    }
    json_decref(now);
    return result < 0 && !stopped ? COMMAND_COULD_NOT : COMMAND_DONE;
}

int command_now(const struct command_line *given) {
    struct command_line line = *given;
    bool once = command_flag(&line, "once");
    bool wiggle = command_flag(&line, "wiggle");
    int wrong = command_words(&line, 0, 0);
    if (wrong)
        return wrong;
    json_t *now = NULL;
    if (wiggle) {
        if (client_ask(&line, "POST", "/v0/latch", NULL, false, &now) < 0)
            return COMMAND_COULD_NOT;
        json_decref(now);
        now = NULL;
    }
    if (!once && !line.json && isatty(STDOUT_FILENO)) {
        signal(SIGINT, on_signal);
        return follow(&line, wiggle);
    }
    if (client_ask(&line, "GET", "/v0/now", NULL, false, &now) < 0)
        return COMMAND_COULD_NOT;
    if (line.json)
        return print_json(now);
    print_table(now, wiggle, false);
    json_decref(now);
    return COMMAND_DONE;
}
