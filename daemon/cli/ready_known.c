// SPDX-License-Identifier: Apache-2.0
/*
 * ready_known.c - a known voltage held on a lead becomes a point of its input's calibration. The
 * daemon judges and stores it; here it is measured and told.
 */
#include "ready_known.h"

#include "ask.h"
#include "client.h"
#include "page.h"
#include "print.h"
#include "samples.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define MEASURE_MS 1000
#define KNOWN_MOST 16 /* in one call */

struct known {
    char *channel;
    double value;
};

__attribute__((format(printf, 2, 3))) static void say(const struct command_line *line,
                                                      const char *format, ...) {
    char *words = NULL;
    va_list arguments;
    va_start(arguments, format);
    int length = vasprintf(&words, format, arguments);
    va_end(arguments);
    FILE *stream = line->json ? stderr : stdout;
    const struct page page = {.stream = stream, .width = print_width(stream)};
    if (length >= 0)
        page_paragraph(&page, "", words);
    fflush(stream);
    free(words);
}

/* "battery=12.6", "battery=12.6V". The name is a copy. */
static bool read_known(const char *text, struct known *known) {
    const char *equals = strrchr(text, '=');
    if (!equals || equals == text)
        return false;
    char *end;
    double value = strtod(equals + 1, &end);
    if (end == equals + 1 || !isfinite(value) || fabs(value) > 1e6)
        return false;
    end += strspn(end, " ");
    if (*end && strcmp(end, "V") != 0 && strcmp(end, "A") != 0)
        return false;
    known->channel = strndup(text, (size_t)(equals - text));
    known->value = value;
    return known->channel != NULL;
}

/* What follows from one point, and why; "" where it is a line. */
static const char *single_point(const json_t *calibration) {
    const char *kind = json_string_value(json_object_get(calibration, "kind"));
    if (kind && strcmp(kind, "offset") == 0)
        return " One point near zero (below a tenth of what the input spans) is taken for an "
               "offset: "
               "there it says nothing of the gain. A second one well away from it, with --known "
               "again, gives both.";
    if (kind && strcmp(kind, "gain") == 0)
        return " One point away from zero is taken for the gain, with zero taken to be right: a "
               "divider's resistors are what is most off. A second one at 0 V (the lead on the "
               "board's ground), with --known again, gives both.";
    return "";
}

static void say_stored(const struct command_line *line, const json_t *answer) {
    const json_t *calibration = json_object_get(answer, "calibration");
    const json_t *residual = json_object_get(calibration, "residual");
    const char *unit = json_string_value(json_object_get(calibration, "unit"));
    const char *board = json_string_value(json_object_get(calibration, "board"));
    char straight[96] = "";
    double gain = json_number_value(json_object_get(calibration, "gain"));
    if (json_is_number(residual))
        snprintf(straight, sizeof straight, ", no point farther than %.2g %s from the line",
                 json_number_value(residual), unit ? unit : "");
    say(line, "Stored and in use: %s%s (input %lld of \"%s\").%s",
        json_string_value(json_object_get(answer, "words")), straight,
        (long long)json_integer_value(json_object_get(calibration, "input")), board ? board : "",
        single_point(calibration));
    if (fabs(gain - 1.0) > 0.05)
        say(line, "More than 5 %% is more than good resistors differ: look whether the hookup's "
                  "divider, and the parts, are what they should be.");
}

static json_t *point_json(const struct known *known, const struct calibration_reading *reading) {
    return json_pack("{s:s, s:f, s:f, s:f, s:f, s:f, s:f}", "channel", known->channel, "known",
                     known->value, "mean", reading->mean, "rms", reading->rms, "drift",
                     reading->drift, "lowest", reading->lowest, "highest", reading->highest);
}

static int post(const struct command_line *line, json_t *body, json_t **answer) {
    int result = body ? client_ask(line, "POST", "/v0/calibration", body, false, answer) : -ENOMEM;
    json_decref(body);
    return result;
}

static int take_point(const struct command_line *line, const struct known *known, json_t *done) {
    struct samples samples = {0};
    int result = samples_take(line, NULL, known->channel, MEASURE_MS, &samples);
    if (result < 0)
        return result;
    const struct samples_lead *lead = &samples.leads[0];
    struct calibration_reading reading;
    samples_reading(&samples, lead, &reading);
    say(line, "%s: reads %.5g %s over %.3g s (noise %.2g %s rms), known %.5g %s.", known->channel,
        scale_value(&lead->scale, reading.mean), lead->unit,
        (double)samples.scans * samples.period_s,
        reading.rms * samples_per_count(lead, reading.mean), lead->unit, known->value, lead->unit);
    samples_clear(&samples);
    json_t *answer = NULL;
    result = post(line, point_json(known, &reading), &answer);
    if (result < 0)
        return result;
    say_stored(line, answer);
    json_array_append_new(done, answer);
    return 0;
}

/* A person at the terminal says when; a program has it held already. */
static int wait_for_hand(const struct command_line *line, const struct known *known) {
    char question[256], answer[ASK_BYTES];
    if (line->json || !isatty(STDIN_FILENO) || !isatty(STDOUT_FILENO))
        return 0;
    snprintf(question, sizeof question, "Hold lead %s on %.5g, a meter beside it; then Enter",
             known->channel, known->value);
    return ask(question, NULL, NULL, answer);
}

static int take_points(const struct command_line *line, const struct known *known, size_t count,
                       json_t *done) {
    if (count)
        say(line, "Known voltages: from a supply or a battery behind a fuse, its other pole on the "
                  "board's ground, read with a meter that is trusted. Batteries gas: no sparks.");
    int result = 0;
    if (count && !line->json)
        ask_begin();
    for (size_t i = 0; result == 0 && i < count; i++) {
        result = wait_for_hand(line, &known[i]);
        if (result == 0)
            result = take_point(line, &known[i], done);
    }
    return result;
}

static int forget(const struct command_line *line, const char *channel, json_t *done) {
    json_t *answer = NULL;
    int result = post(line, json_pack("{s:s, s:b}", "channel", channel, "forget", 1), &answer);
    if (result < 0)
        return result;
    say(line, "%s: its calibration is forgotten; the hookup's own scale holds.", channel);
    json_array_append_new(done, answer);
    return 0;
}

static int do_all(const struct command_line *line, const char *forgotten, const struct known *known,
                  size_t count) {
    json_t *done = json_array();
    int result = forgotten ? forget(line, forgotten, done) : 0;
    if (result == 0)
        result = take_points(line, known, count, done);
    if (line->json)
        (void)print_json(
            json_pack("{s:s, s:O}", "schema", "cranktrap.calibrations/1", "calibrations", done));
    json_decref(done);
    return result < 0 ? COMMAND_COULD_NOT : COMMAND_DONE;
}

bool ready_known(struct command_line *line, int *status) {
    struct known known[KNOWN_MOST] = {0};
    size_t count = 0;
    const char *text, *forgotten = command_option(line, "forget");
    *status = COMMAND_DONE;
    while (*status == COMMAND_DONE && (text = command_option(line, "known"))) {
        if (count == KNOWN_MOST)
            *status = command_usage(line, "at most %d --known in one call", KNOWN_MOST);
        else if (read_known(text, &known[count]))
            count++;
        else
            *status =
                command_usage(line, "--known \"%s\": say CHANNEL=VOLTS, like battery=12.61", text);
    }
    if (*status == COMMAND_DONE && forgotten && !*forgotten)
        *status = command_usage(line, "--forget needs a CHANNEL");
    bool asked = forgotten || count > 0 || *status != COMMAND_DONE;
    if (asked && *status == COMMAND_DONE)
        *status = command_words(line, 0, 0);
    if (asked && *status == COMMAND_DONE)
        *status = do_all(line, forgotten, known, count);
    for (size_t i = 0; i < count; i++)
        free(known[i].channel);
    return asked;
}
