// SPDX-License-Identifier: Apache-2.0
/*
 * ready_print.c - the cautions, the table of leads, the plain conclusion; and the same as JSON.
 */
#include "ready.h"

#include "page.h"
#include "print.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* What the arithmetic of the draw takes where it cannot be read, as an example. */
#define EXAMPLE_W 3.0

static const char *const cautions[] = {
    "Test cranks: only by trained people. Everybody clear of belts, fans and drive wheels; brake "
    "on, out of gear; ignition or fuel disabled by the maker's procedure. At most 10 s, then let "
    "the starter rest. A flooded engine and a hot catalyst are real risks.",
    "An engine that starts indoors makes carbon monoxide: extraction, or outdoors.",
    "Left overnight or driven: leads secured and fused at the post, none pinched by bonnet or "
    "doors; key and remote start under control.",
    "Never a board input straight on battery or coil voltage; off high-voltage (hybrid, electric) "
    "and airbag circuits. Batteries gas: no sparks.",
    "Local rules, the maker's procedure and licensed practice come first.",
};

const char *ready_result_name(enum ready_result result) {
    static const char *const names[] = {"pass", "look at this", "not seen"};
    return names[result];
}

void ready_print_cautions(const struct ready *ready) {
    FILE *stream = ready->line->json ? stderr : stdout;
    const struct page page = {.stream = stream, .width = print_width(stream)};
    fputs("Before you begin\n", stream);
    for (size_t i = 0; i < sizeof cautions / sizeof cautions[0]; i++)
        page_paragraph(&page, "- ", cautions[i]);
    fflush(stream);
}

/* ---- the table ---- */

static int decimals(const struct ready_lead *lead) {
    return strcmp(lead->unit, "V") == 0 ? 2 : 0;
}

static double without_sign_of_zero(double value, int places) {
    return fabs(value) < 0.5 * pow(10, -places) ? 0.0 : value;
}

/* "12.48", "0.14/4.98" (two states), "8.02..12.41", "-". */
static const char *cell(const struct ready_lead *lead, enum ready_step step, char *text,
                        size_t size) {
    const struct ready_span *span = &lead->spans[step];
    int places = decimals(lead);
    bool states = isfinite(span->low) && isfinite(span->high) && strcmp(lead->role, "signal") == 0;
    double first = without_sign_of_zero(states ? span->low : span->lowest, places);
    double second = without_sign_of_zero(states ? span->high : span->highest, places);
    if (!span->seen)
        snprintf(text, size, "-");
    else if (step != READY_CRANKING && !states)
        snprintf(text, size, "%.*f", places, without_sign_of_zero(span->average, places));
    else
        snprintf(text, size, "%.*f%s%.*f", places, first, states ? "/" : "..", places, second);
    return text;
}

static void print_lead(const struct ready_lead *lead) {
    char off[32], on[32], cranking[32], noise[32] = "-";
    if (isfinite(lead->noise))
        snprintf(noise, sizeof noise, strcmp(lead->unit, "V") == 0 ? "%.0f mV" : "%.3g",
                 strcmp(lead->unit, "V") == 0 ? lead->noise * 1e3 : lead->noise);
    printf("%-16.16s %-2.2s %-10s %-10s %-13s %-8s %s\n", lead->name, lead->unit,
           cell(lead, READY_KEY_OFF, off, sizeof off), cell(lead, READY_KEY_ON, on, sizeof on),
           cell(lead, READY_CRANKING, cranking, sizeof cranking), noise,
           ready_result_name(lead->result));
}

static void print_notes(const struct ready_lead *lead, const struct page *page) {
    char *first = NULL;
    if (asprintf(&first, "  %s: ", lead->name) < 0)
        return;
    size_t i;
    json_t *note;
    json_array_foreach(lead->notes, i, note) page_paragraph(page, first, json_string_value(note));
    free(first);
}

static void print_rates(const struct ready *ready) {
    bool any = false;
    for (size_t i = 0; i < ready->lead_count; i++) {
        const struct ready_lead *lead = &ready->leads[i];
        if (!isfinite(lead->samples))
            continue;
        if (!any)
            puts("\nSample rate (at least 5 samples in the shortest state)");
        any = true;
        printf("  %s: %.0f edges/s cranking; %.0f scans/s give %.1f samples: %s\n", lead->name,
               lead->edges_per_s, lead->rate_hz, lead->samples,
               lead->samples >= 5 ? "enough" : "TOO FEW");
    }
}

static void print_leads(const struct ready *ready, const struct page *page) {
    printf("\n%-16s %-2s %-10s %-10s %-13s %-8s %s\n", "lead", "", "key off", "key on", "cranking",
           "noise", "result");
    for (size_t i = 0; i < ready->lead_count; i++)
        print_lead(&ready->leads[i]);
    puts("(noise: peak to peak with the key off; a/b: the two levels of an on/off signal)");
    for (size_t i = 0; i < ready->lead_count; i++)
        print_notes(&ready->leads[i], page);
    print_rates(ready);
    ready_print_inputs(ready);
}

/* ---- room, losses, draw ---- */

static void print_room(const struct ready *ready, const struct page *page) {
    const struct ready_room *room = &ready->room;
    char a[32], b[32];
    if (isnan(room->bytes_per_hour))
        page_say(page, "Room:   ", "not known yet: too little is recorded to tell");
    else
        page_say(page,
                 "Room:   ", "%s an hour as it is now, %s for %.4g h; the ring holds %.0f h. %s",
                 print_bytes(room->bytes_per_hour, a, sizeof a),
                 print_bytes(ready->hours * room->bytes_per_hour, b, sizeof b), ready->hours,
                 floor(room->ring_hours),
                 room->disk_free >= room->ring_bytes ? "The disk has room for it."
                                                     : "Whether the disk has is told below.");
    if (ready->scans_lost > 0 || ready->losses_unknown > 0)
        page_say(page, "Losses: ", "%.0f scans during this check, and %.0f losses of unknown size",
                 ready->scans_lost, ready->losses_unknown);
    else
        page_say(page, "Losses: ", "none during this check, %.0f scans since the daemon started",
                 ready->lost_since_start);
}

static void print_draw(const struct ready *ready, const struct page *page) {
    const struct ready_room *room = &ready->room;
    double watts = isnan(room->draw_w) ? EXAMPLE_W : room->draw_w;
    if (isnan(room->draw_w))
        page_say(page, "Draw:   ",
                 "the logger's own is not known: measure it at the fuse. %.0f W x %.4g h = %.3g "
                 "Ah at 12 V. A battery that is low in the morning may be the logger's doing.",
                 watts, ready->hours, watts * ready->hours / 12);
    else
        page_say(page, "Draw:   ",
                 "%.1f W from the computer's own battery; fed from the vehicle, %.1f W x %.4g h = "
                 "%.3g Ah at 12 V",
                 watts, watts, ready->hours, watts * ready->hours / 12);
    if (room->on_mains)
        page_say(page, "Mains:  ",
                 "the computer is on mains: that ties its ground to the vehicle, and can carry "
                 "starter current or cure the fault. Its own battery, or an isolator.");
}

/* ---- the conclusion ---- */

static void print_list(const struct page *page, const json_t *list) {
    size_t i;
    json_t *sentence;
    json_array_foreach(list, i, sentence) page_paragraph(page, "- ", json_string_value(sentence));
}

static void print_night(const struct ready *ready, const struct page *page) {
    time_t since = (time_t)json_number_value(json_object_get(ready->night, "since_s"));
    struct tm local;
    char text[40] = "now";
    if (localtime_r(&since, &local))
        strftime(text, sizeof text, "%H:%M:%S", &local);
    if (ready->night)
        page_say(page, "",
                 "A new night has begun, %s: in the morning `cranktrap night` counts "
                 "the attempts from here on.",
                 text);
    else
        page_say(page, "",
                 "The new night could not be noted (see above): in the morning say "
                 "`cranktrap night --since TIME`.");
}

/* What no lead is on stays unknown however fit it is. */
static void print_unwatched(const struct ready *ready, const struct page *page) {
    const json_t *verdict = json_object_get(ready->report, "verdict");
    const json_t *not_tested = json_object_get(verdict, "not_tested");
    if (json_array_size(not_tested))
        puts("Not watched, so not told in the morning:");
    print_list(page, not_tested);
}

static void print_conclusion(const struct ready *ready, const struct page *page) {
    const char *fit = ready_fit(ready);
    putchar('\n');
    if (strcmp(fit, "yes") == 0) {
        page_say(page, "", "FIT TO LEAVE. Every lead was seen to do its work.");
    } else if (strcmp(fit, "no") == 0) {
        page_say(page, "", "NOT FIT TO LEAVE, because");
        print_list(page, ready->reasons);
    } else {
        page_say(page, "", "NOT PROVEN: nothing was found wrong, but not seen were");
    }
    if (strcmp(fit, "no") == 0 && json_array_size(ready->unproven))
        puts("Not seen:");
    print_list(page, ready->unproven);
    if (strcmp(fit, "yes") != 0)
        page_say(page, "",
                 "Put that right, then `cranktrap ready` again; `cranktrap now --wiggle` "
                 "shows a lead while you move it.");
    else
        page_say(page, "",
                 "Once before the first night: one attempt with the logger unplugged, "
                 "for an unpowered board may itself cause the no-start.");
    print_unwatched(ready, page);
    print_night(ready, page);
}

void ready_print(const struct ready *ready) {
    const struct page page = {.stream = stdout, .width = print_width(stdout)};
    print_leads(ready, &page);
    putchar('\n');
    print_room(ready, &page);
    print_draw(ready, &page);
    print_conclusion(ready, &page);
}

/* ---- for a program ---- */

static json_t *number(double value) {
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *span_json(const struct ready_span *span) {
    if (!span->seen)
        return json_null();
    return json_pack("{s:o, s:o, s:o, s:o, s:o}", "lowest", number(span->lowest), "highest",
                     number(span->highest), "average", number(span->average), "low",
                     number(span->low), "high", number(span->high));
}

static json_t *lead_json(const struct ready_lead *lead) {
    return json_pack("{s:s, s:s, s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:s, s:O}",
                     "channel", lead->name, "role", lead->role, "unit", lead->unit, "key_off",
                     span_json(&lead->spans[READY_KEY_OFF]), "key_on",
                     span_json(&lead->spans[READY_KEY_ON]), "cranking",
                     span_json(&lead->spans[READY_CRANKING]), "noise", number(lead->noise), "input",
                     ready_input_json(lead), "edges_per_s", number(lead->edges_per_s), "samples",
                     number(lead->samples), "rate_hz", number(lead->rate_hz), "rate_needed_hz",
                     number(lead->rate_needed_hz), "result", ready_result_name(lead->result),
                     "notes", lead->notes);
}

static json_t *room_json(const struct ready *ready) {
    const struct ready_room *room = &ready->room;
    return json_pack("{s:f, s:o, s:o, s:o, s:o, s:o, s:b}", "hours", ready->hours, "bytes_per_hour",
                     number(room->bytes_per_hour), "ring_hours", number(room->ring_hours),
                     "bytes_needed", number(room->ring_bytes), "disk_free", number(room->disk_free),
                     "draw_w", number(room->draw_w), "on_mains", room->on_mains);
}

json_t *ready_json(const struct ready *ready) {
    json_t *leads = json_array();
    for (size_t i = 0; i < ready->lead_count; i++)
        json_array_append_new(leads, lead_json(&ready->leads[i]));
    json_t *losses = json_pack("{s:f, s:f, s:f}", "scans", ready->scans_lost, "of_unknown_size",
                               ready->losses_unknown, "scans_since_start", ready->lost_since_start);
    const json_t *since = json_object_get(ready->night, "since_s");
    return json_pack("{s:s, s:s, s:o, s:o, s:O?, s:o, s:o, s:O, s:O, s:O?}", "schema",
                     "cranktrap.ready/1", "fit", ready_fit(ready), "leads", leads, "snapshot",
                     ready->report ? json_integer(ready->snapshot) : json_null(), "verdict",
                     json_object_get(ready->report, "verdict"), "room", room_json(ready), "losses",
                     losses, "reasons", ready->reasons, "unproven", ready->unproven, "since_s",
                     since);
}
