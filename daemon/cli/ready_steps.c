// SPDX-License-Identifier: Apache-2.0
/*
 * ready_steps.c - one step after the other: says what to do, waits until the leads show it, reads.
 */
#include "ready.h"

#include "client.h"
#include "monotonic.h"
#include "page.h"
#include "print.h"
#include "snapshot.h"

#include <errno.h>
#include <math.h>
#include <poll.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define READINGS    6     /* of half a second each */
#define ANALYSIS_S  120.0 /* what comes after the crank, and its report */
#define SETTLE_FEW  1     /* readings that may still hold the phase before */
#define ASK_EVERY_S 0.5

void ready_say(const struct ready *ready, const char *format, ...) {
    char *words = NULL;
    va_list arguments;
    va_start(arguments, format);
    int length = vasprintf(&words, format, arguments);
    va_end(arguments);
    FILE *stream = ready->line->json ? stderr : stdout;
    const struct page page = {.stream = stream, .width = print_width(stream)};
    size_t indent = length >= 0 ? strspn(words, " ") : 0;
    if (length >= 0)
        page_paragraph(&page, indent ? "   " : "", words + indent);
    fflush(stream);
    free(words);
}

/* The next reading of all leads, in place of `*now`. */
static int next_reading(const struct ready *ready, json_t **now) {
    char path[64];
    snprintf(path, sizeof path, "/v0/now?after=%lld",
             (long long)json_integer_value(json_object_get(*now, "sequence")));
    json_t *newer = NULL;
    int result = client_ask(ready->line, "GET", path, NULL, false, &newer);
    if (result < 0)
        return result;
    json_decref(*now);
    *now = newer;
    return 0;
}

static bool in_phase(const json_t *now, const char *phase) {
    const char *is = json_string_value(json_object_get(now, "phase"));
    return is && strcmp(is, phase) == 0;
}

/* Where no lead tells the phase, a person at the terminal does. */
static bool enter_was_pressed(void) {
    struct pollfd keys = {.fd = STDIN_FILENO, .events = POLLIN};
    char line[256];
    return isatty(STDIN_FILENO) && poll(&keys, 1, 0) > 0 &&
           read(STDIN_FILENO, line, sizeof line) > 0;
}

/* The key went on to the crank before its step was read. */
static bool is_past(const json_t *now, const char *phase) {
    return strcmp(phase, "key-on") == 0 && (in_phase(now, "cranking") || in_phase(now, "running"));
}

/* 1: it is in that phase (or a person says so), 0: not in time, or it is past it already. */
static int wait_for_phase(const struct ready *ready, const char *phase, bool *by_hand,
                          json_t **now) {
    double until = (double)monotonic_ns() * 1e-9 + ready->wait_s;
    bool asked = false;
    while (!in_phase(*now, phase)) {
        if (is_past(*now, phase))
            return 0;
        bool unknown = in_phase(*now, "unknown");
        if (unknown && !asked && isatty(STDIN_FILENO)) {
            ready_say(ready, "   No lead tells where the key is: press Enter when it is so.");
            asked = true;
        }
        if (unknown && enter_was_pressed()) {
            *by_hand = true;
            return 1;
        }
        if ((double)monotonic_ns() * 1e-9 > until)
            return 0;
        int result = next_reading(ready, now);
        if (result < 0)
            return result;
    }
    return 1;
}

static double value(const json_t *object, const char *key) {
    const json_t *found = json_object_get(object, key);
    return json_is_number(found) ? json_number_value(found) : (double)NAN;
}

static void add_reading(struct ready_lead *lead, enum ready_step step, const json_t *reading,
                        unsigned before) {
    if (!json_is_true(json_object_get(reading, "fresh")))
        return;
    struct ready_span *span = &lead->spans[step];
    double lowest = value(reading, "lowest"), highest = value(reading, "highest");
    span->average = before ? (span->average * before + value(reading, "average")) / (before + 1)
                           : value(reading, "average");
    span->lowest = before ? fmin(span->lowest, lowest) : lowest;
    span->highest = before ? fmax(span->highest, highest) : highest;
    span->low = value(reading, "low");
    span->high = value(reading, "high");
    span->seen = true;
    if (step == READY_KEY_OFF)
        lead->noise = before ? fmax(lead->noise, highest - lowest) : highest - lowest;
}

/* Reads as long as the phase lasts, but not longer than it needs. */
static int read_leads(struct ready *ready, enum ready_step step, const char *phase, bool by_hand,
                      json_t **now) {
    unsigned taken = 0;
    for (unsigned i = 0; i < READINGS + SETTLE_FEW; i++) {
        int result = next_reading(ready, now);
        if (result < 0)
            return result;
        if (!by_hand && !in_phase(*now, phase))
            break;
        if (i < SETTLE_FEW)
            continue;
        const json_t *channels = json_object_get(*now, "channels");
        for (size_t k = 0; k < ready->lead_count; k++)
            add_reading(&ready->leads[k], step, json_array_get(channels, k), taken);
        taken++;
    }
    if (taken && step == READY_KEY_OFF && (by_hand || in_phase(*now, phase))) {
        ready_read_inputs(ready);
        int result = next_reading(ready, now);
        if (result < 0)
            return result;
        if (!by_hand && !in_phase(*now, phase))
            ready_forget_inputs(ready); /* the key was turned meanwhile */
    }
    if (taken)
        ready_say(ready, "   Read.");
    else
        ready_say(ready, "   Too short to read it live; the test crank's record may hold it.");
    return 0;
}

static int take_step(struct ready *ready, enum ready_step step, const char *phase, json_t **now) {
    bool by_hand = false;
    int result = wait_for_phase(ready, phase, &by_hand, now);
    if (result > 0)
        return read_leads(ready, step, phase, by_hand, now);
    if (result == 0)
        ready_say(ready,
                  in_phase(*now, "cranking")
                      ? "   It is cranking already: going on."
                      : "   Not seen in that time: going on without it. The leads say \"%s\".",
                  json_string_value(json_object_get(*now, "phase")));
    return result;
}

static int crankings(const struct ready *ready, double *count) {
    json_t *status = NULL;
    int result = client_ask(ready->line, "GET", "/v0/status", NULL, false, &status);
    if (result == 0)
        *count = value(status, "crankings");
    json_decref(status);
    return result;
}

/* The highest number in the folder; with `*report`, of a snapshot after `after` with an attempt. */
static unsigned look_in_folder(const struct ready *ready, unsigned after, json_t **report) {
    struct snapshot_entry *entries = NULL;
    size_t count = 0;
    char *folder = NULL;
    unsigned found = 0;
    if (asprintf(&folder, "%s/snapshots", ready->line->state) < 0)
        return 0;
    if (snapshot_list(folder, &entries, &count) == 0) {
        for (size_t i = 0; i < count && !(report && *report); i++) {
            if (!report)
                found = entries[i].number;
            if (!report || entries[i].number <= after || !entries[i].report)
                continue;
            json_t *read = json_load_file(entries[i].report, 0, NULL); /* half written: NULL */
            if (json_array_size(json_object_get(read, "attempts"))) {
                *report = json_incref(read);
                found = entries[i].number;
            }
            json_decref(read);
        }
        snapshot_list_free(entries, count);
    }
    free(folder);
    return found;
}

/* The record of the crank, once it is saved and analysed. */
static void wait_for_report(struct ready *ready, unsigned before) {
    const struct timespec pause = {.tv_nsec = (long)(ASK_EVERY_S * 1e9)};
    double until = (double)monotonic_ns() * 1e-9 + ANALYSIS_S + ready->wait_s;
    while (!ready->report && (double)monotonic_ns() * 1e-9 < until) {
        ready->snapshot = look_in_folder(ready, before, &ready->report);
        if (!ready->report)
            nanosleep(&pause, NULL);
    }
    if (ready->report)
        ready_say(ready, "   Saved and analysed: snapshot %u.", ready->snapshot);
    else
        ready_say(ready, "   No analysed record of it came; `cranktrap status` and the daemon's "
                         "log tell why.");
}

int ready_take_crank(struct ready *ready, unsigned number) {
    unsigned found = look_in_folder(ready, number - 1, &ready->report);
    if (found == number) {
        ready->snapshot = number;
        return 0;
    }
    command_say(ready->line,
                "snapshot %u holds no attempt that was analysed: `cranktrap list` has those that "
                "do",
                number);
    json_decref(ready->report);
    ready->report = NULL;
    return -ENOENT;
}

static int take_crank(struct ready *ready, double before, unsigned snapshot_before, json_t **now) {
    double until = (double)monotonic_ns() * 1e-9 + ready->wait_s;
    double count = before;
    while (count <= before) {
        if ((double)monotonic_ns() * 1e-9 > until) {
            ready_say(ready, "   No cranking was seen in that time. If it did crank, no lead shows "
                             "it: check the battery's lead, or the clamp.");
            return 0;
        }
        int result = next_reading(ready, now);
        if (result == 0)
            result = crankings(ready, &count);
        if (result < 0)
            return result;
    }
    ready_say(ready, "   Cranking seen. Let go once it has started, or after 5 s; key off then. "
                     "The record needs some seconds more (20 s after it, unless set otherwise).");
    wait_for_report(ready, snapshot_before);
    return 0;
}

static int walk(struct ready *ready, json_t **now) {
    char patience[32];
    print_duration(ready->wait_s, patience, sizeof patience);
    unsigned last = look_in_folder(ready, 0, NULL);
    ready_say(ready, "\n1. Key OFF. Waiting for it, at most %s (--wait).", patience);
    int result = take_step(ready, READY_KEY_OFF, "key-off", now);
    double before = 0;
    if (result >= 0)
        result = crankings(ready, &before);
    if (result < 0)
        return result;
    ready_say(ready, "2. Key ON, do not crank. Waiting for it, at most %s.", patience);
    result = take_step(ready, READY_KEY_ON, "key-on", now);
    if (result < 0 || !ready->crank)
        return result;
    ready_say(ready,
              "3. ONE test crank, when everybody is clear: 3 to 5 s, never beyond 10. cranktrap "
              "does not crank; it waits for yours, at most %s.",
              patience);
    return take_crank(ready, before, last, now);
}

int ready_walk(struct ready *ready) {
    json_t *now = json_incref(ready->now);
    int result = walk(ready, &now);
    json_decref(now);
    return result;
}
