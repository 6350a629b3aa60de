// SPDX-License-Identifier: Apache-2.0
/*
 * ready_judge.c - a lead passes when it was seen to do what its role does, and nothing spoke
 * against it.
 *
 * The limits here are common practice, no source; those of the circuits are the analysis's own, and
 * come with the report of the test crank.
 */
#include "ready.h"

#include "print.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LEAST_SAMPLES 5.0 /* in the shortest state */
#define ZERO_V        0.1 /* of a return or ground with nothing flowing */
#define ZERO_A        5.0 /* of a clamp */
#define NOISE_V       0.1 /* peak to peak at rest */
#define SWITCHED_V    1.0 /* what a key turned on lifts at least */
#define SAG_V         0.7 /* what a starter pulls a battery down at least */
#define STARTER_A     50.0

static double value(const json_t *object, const char *key) {
    const json_t *found = json_object_get(object, key);
    return json_is_number(found) ? json_number_value(found) : (double)NAN;
}

static bool is_text(const json_t *object, const char *key, const char *text) {
    const char *found = json_string_value(json_object_get(object, key));
    return found && strcmp(found, text) == 0;
}

__attribute__((format(printf, 2, 0))) static void add_words(json_t *list, const char *format,
                                                            va_list arguments) {
    char *words = NULL;
    if (vasprintf(&words, format, arguments) < 0)
        return;
    json_array_append_new(list, json_string(words));
    free(words);
}

__attribute__((format(printf, 2, 3))) static void add_sentence(json_t *list, const char *format,
                                                               ...) {
    va_list arguments;
    va_start(arguments, format);
    add_words(list, format, arguments);
    va_end(arguments);
}

static void set_result(struct ready_lead *lead, enum ready_result result) {
    if (lead->result != READY_LOOK)
        lead->result = result;
}

void ready_note(struct ready_lead *lead, enum ready_result result, const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    add_words(lead->notes, format, arguments);
    va_end(arguments);
    if (result != READY_PASS)
        set_result(lead, result);
}

/* ---- what the record of the test crank holds ---- */

static const json_t *report_channel(const struct ready *ready, const char *name) {
    size_t i;
    json_t *channel;
    json_array_foreach(json_object_get(ready->report, "channels"), i, channel) {
        if (is_text(channel, "channel", name))
            return channel;
    }
    return NULL;
}

static void take_level(struct ready_lead *lead, enum ready_step step, const json_t *level) {
    lead->spans[step] = (struct ready_span){.seen = isfinite(value(level, "average")),
                                            .lowest = value(level, "lowest"),
                                            .highest = value(level, "highest"),
                                            .average = value(level, "average"),
                                            .low = value(level, "low"),
                                            .high = value(level, "high")};
}

/* Samples in the shortest state, were all edges equally far apart. */
static void take_edges(struct ready_lead *lead, const json_t *level) {
    double edges = value(level, "edges_per_s"), duty = value(level, "duty");
    if (strcmp(lead->role, "signal") != 0 || !(edges > 0) || !(duty > 0 && duty < 1))
        return;
    double shortest_s = 2 * fmin(duty, 1 - duty) / edges;
    lead->edges_per_s = edges;
    lead->samples = shortest_s * lead->rate_hz;
    lead->rate_needed_hz = LEAST_SAMPLES / shortest_s;
}

static void take_report(const struct ready *ready, struct ready_lead *lead) {
    static const char *const phases[] = {"key-off", "key-on", "cranking"};
    size_t i;
    json_t *level;
    json_array_foreach(json_object_get(report_channel(ready, lead->name), "levels"), i, level) {
        for (int step = 0; step < READY_STEPS; step++)
            if (!lead->spans[step].seen && is_text(level, "phase", phases[step]))
                take_level(lead, (enum ready_step)step, level);
        if (is_text(level, "phase", "cranking"))
            take_edges(lead, level);
    }
}

/* ---- what speaks against a lead ---- */

static void judge_checks(const struct ready *ready, struct ready_lead *lead) {
    size_t i;
    json_t *check;
    json_array_foreach(json_object_get(ready->report, "checks"), i, check) {
        bool judged = is_text(check, "phase", "key-on") || is_text(check, "phase", "cranking");
        if (!judged || !is_text(check, "channel", lead->name) || is_text(check, "result", "pass"))
            continue;
        const char *name = json_string_value(json_object_get(check, "check"));
        const char *phase = json_string_value(json_object_get(check, "phase"));
        const char *unit = json_string_value(json_object_get(check, "unit"));
        const char *why = json_string_value(json_object_get(check, "why"));
        double low = value(check, "limit_low"), high = value(check, "limit_high");
        double measured = value(check, "measured");
        if (why || isnan(measured))
            add_sentence(lead->notes, "%s, %s: %s", name, phase, why ? why : "not possible");
        else if (measured < low || (measured > high && !isnan(high)))
            add_sentence(lead->notes, "%s, %s: %.3g %s, must be %s %.3g", name, phase, measured,
                         unit, measured < low ? "at least" : "at most",
                         measured < low ? low : high);
        else
            add_sentence(lead->notes, "%s, %s: %.3g %s, too close to its limit to call", name,
                         phase, measured, unit);
        set_result(lead, READY_LOOK);
    }
}

static void judge_rest(struct ready_lead *lead) {
    const struct ready_span *off = &lead->spans[READY_KEY_OFF];
    bool is_return = strcmp(lead->role, "return") == 0 || strcmp(lead->role, "ground") == 0;
    bool is_clamp = strcmp(lead->role, "starter-current") == 0;
    if (off->seen && is_return && fabs(off->average) > ZERO_V) {
        add_sentence(lead->notes,
                     "reads %.3f V with the key off, should be 0: is the lead on, and the board's "
                     "ground at the battery's negative post?",
                     off->average);
        set_result(lead, READY_LOOK);
    }
    if (off->seen && is_clamp && fabs(off->average) > ZERO_A) {
        add_sentence(lead->notes,
                     "reads %.0f A with the key off: zero the clamp, or set `offset = %.0f A`",
                     off->average, -off->average);
        set_result(lead, READY_LOOK);
    }
    if (strcmp(lead->unit, "V") == 0 && lead->noise > NOISE_V &&
        strcmp(lead->role, "battery") != 0) {
        add_sentence(lead->notes,
                     "%.0f mV of noise with the key off: an open lead, or one beside a charger or "
                     "mains cable",
                     lead->noise * 1e3);
        set_result(lead, READY_LOOK);
    }
}

/* A board that is by design too slow for this lead, or blind at times. */
static void judge_board(const struct ready *ready, struct ready_lead *lead) {
    size_t i;
    json_t *note;
    json_array_foreach(json_object_get(ready->report, "measuring"), i, note) {
        if (!is_text(note, "about", "speed") || !is_text(note, "channel", lead->name))
            continue;
        add_sentence(lead->notes, "%s", json_string_value(json_object_get(note, "text")));
        set_result(lead, READY_LOOK);
    }
}

static void judge_rate(struct ready_lead *lead) {
    if (!(lead->samples < LEAST_SAMPLES))
        return;
    add_sentence(lead->notes,
                 "%.1f samples in the shortest state at %.0f scans/s, %.0f are needed: set `rate` "
                 "to %.0f or more",
                 lead->samples, lead->rate_hz, LEAST_SAMPLES, ceil(lead->rate_needed_hz / 10) * 10);
    set_result(lead, READY_LOOK);
}

/* ---- was it seen to do what its role does? ---- */

struct proof {
    const char *role;
    enum ready_step from, to;
    double by;
    const char *missing;
};

static const struct proof proofs[] = {
    {"battery", READY_KEY_ON, READY_CRANKING, SAG_V, "did not sag while cranking"},
    {"feed", READY_KEY_OFF, READY_KEY_ON, SWITCHED_V, "did not rise with the key"},
    {"ignition", READY_KEY_OFF, READY_KEY_ON, SWITCHED_V, "did not rise with the key"},
    {"supply", READY_KEY_OFF, READY_KEY_ON, SWITCHED_V, "did not rise with the key"},
    {"starter-current", READY_KEY_ON, READY_CRANKING, STARTER_A, "no current while cranking"},
    {"start-request", READY_KEY_ON, READY_CRANKING, SWITCHED_V, "did not change for the crank"},
    {"command", READY_KEY_ON, READY_CRANKING, SWITCHED_V, "did not change while cranking"},
    {"signal", READY_KEY_ON, READY_CRANKING, 0, "no edges while cranking"},
};

static bool was_proven(const struct ready_lead *lead, const struct proof *proof) {
    const struct ready_span *from = &lead->spans[proof->from], *to = &lead->spans[proof->to];
    if (strcmp(proof->role, "signal") == 0)
        return lead->edges_per_s > 0;
    double rise = proof->to == READY_KEY_ON
                      ? to->average - from->average
                      : fmax(to->highest - from->average, from->average - to->lowest);
    return rise >= proof->by;
}

static void judge_proof(struct ready_lead *lead) {
    for (size_t i = 0; i < sizeof proofs / sizeof proofs[0]; i++) {
        const struct proof *proof = &proofs[i];
        if (strcmp(lead->role, proof->role) != 0)
            continue;
        bool signal = strcmp(proof->role, "signal") == 0;
        if (!lead->spans[proof->to].seen || (!signal && !lead->spans[proof->from].seen)) {
            add_sentence(lead->notes, "not proven: %s was not seen",
                         !lead->spans[proof->to].seen && proof->to == READY_CRANKING
                             ? "a test crank"
                         : proof->to == READY_KEY_ON ? "the key turned from off to on"
                                                     : "key on");
            set_result(lead, READY_NOT_SEEN);
        } else if (!was_proven(lead, proof)) {
            add_sentence(lead->notes, "%s: is it on the right wire, is the probe through?",
                         proof->missing);
            set_result(lead, READY_LOOK);
        }
    }
}

static void judge_lead(const struct ready *ready, struct ready_lead *lead) {
    take_report(ready, lead);
    bool any = false;
    for (int step = 0; step < READY_STEPS; step++)
        any = any || lead->spans[step].seen;
    if (!any) {
        add_sentence(lead->notes, "nothing was read from it: none of the steps was seen");
        lead->result = READY_NOT_SEEN;
        return;
    }
    judge_checks(ready, lead);
    judge_rest(lead);
    judge_board(ready, lead);
    judge_rate(lead);
    judge_proof(lead);
}

void ready_judge_leads(struct ready *ready) {
    for (size_t i = 0; i < ready->lead_count; i++)
        judge_lead(ready, &ready->leads[i]);
}

/* ---- the whole ---- */

static void count_losses(struct ready *ready) {
    double before = 0, unknown_before = 0, unknown = 0;
    size_t i;
    json_t *board;
    json_array_foreach(json_object_get(ready->status_before, "boards"), i, board) {
        before += value(board, "scans_lost");
        unknown_before += value(board, "losses_of_unknown_size");
    }
    ready->lost_since_start = 0;
    json_array_foreach(json_object_get(ready->status_after, "boards"), i, board) {
        ready->lost_since_start += value(board, "scans_lost");
        unknown += value(board, "losses_of_unknown_size");
    }
    ready->scans_lost = ready->lost_since_start - before;
    ready->losses_unknown = unknown - unknown_before;
    if (ready->scans_lost > 0 || ready->losses_unknown > 0)
        add_sentence(ready->reasons,
                     "samples were lost during this check: `cranktrap status` tells where. Look at "
                     "the board's cable and hub, and lower `rate` if the line is full");
}

static void judge_room(struct ready *ready) {
    const struct ready_room *room = &ready->room;
    char a[32], b[32];
    if (room->ring_hours < ready->hours)
        add_sentence(ready->reasons,
                     "the ring holds %.1f h of the %.4g h asked for: raise `ring` in [storage] to "
                     "%s or more, or leave it for less",
                     room->ring_hours, ready->hours,
                     print_bytes(1.1 * ready->hours * room->bytes_per_hour, a, sizeof a));
    if (room->disk_free < room->ring_bytes)
        add_sentence(ready->reasons,
                     "the disk lacks room: %s free beyond what is to be kept free, %s will be "
                     "needed. Make room in %s",
                     print_bytes(fmax(0, room->disk_free), a, sizeof a),
                     print_bytes(room->ring_bytes, b, sizeof b), ready->line->state);
    if (!json_is_true(json_object_get(json_object_get(ready->status_after, "snapshots"), "room")))
        add_sentence(ready->reasons, "there is no room for another snapshot: delete old ones, or "
                                     "raise `snapshots` in [storage]");
    if (isnan(room->bytes_per_hour))
        add_sentence(ready->unproven, "how long the ring lasts: too little is recorded yet");
}

static void judge_crank(struct ready *ready) {
    const json_t *verdict = json_object_get(ready->report, "verdict");
    const char *fault = json_string_value(json_object_get(verdict, "fault"));
    if (!ready->report)
        add_sentence(ready->unproven, "%s: what only moves while the starter turns was not seen",
                     ready->crank ? "no test crank was seen" : "the test crank was left out");
    else if (fault && strcmp(fault, "nothing-found") != 0)
        add_sentence(ready->reasons,
                     "the test crank itself caught a fault (%s): it may not take a night to find "
                     "it. Read it first: `cranktrap report %u`",
                     fault, ready->snapshot);
}

void ready_judge_whole(struct ready *ready) {
    const char *state = json_string_value(json_object_get(ready->status_after, "state"));
    const char *why = json_string_value(json_object_get(ready->status_after, "why"));
    if (state && (strcmp(state, "not-watching") == 0 || strcmp(state, "waiting-for-board") == 0))
        add_sentence(ready->reasons, "the daemon says %s%s%s", state, why ? ": " : "",
                     why ? why : "");
    for (size_t i = 0; i < ready->lead_count; i++) {
        const struct ready_lead *lead = &ready->leads[i];
        if (lead->result != READY_PASS)
            add_sentence(lead->result == READY_LOOK ? ready->reasons : ready->unproven, "%s: %s",
                         lead->name, lead->result == READY_LOOK ? "look at this" : "not seen");
    }
    count_losses(ready);
    judge_room(ready);
    judge_crank(ready);
}

const char *ready_fit(const struct ready *ready) {
    if (json_array_size(ready->reasons))
        return "no";
    return json_array_size(ready->unproven) ? "not-proven" : "yes";
}
