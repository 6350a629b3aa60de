// SPDX-License-Identifier: Apache-2.0
/*
 * report_sheet.c - the sheet's upper half: what the owner of the vehicle wants to know.
 */
#include "report_sheet.h"

#include "customer_words.h"
#include "report_sheet_parts.h"
#include "report_words.h"
#include "strip.h"
#include "traces.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const struct sheet_style above = {8, true, SHEET_FAINT};
static const struct sheet_style label = {7, false, SHEET_FAINT};
static const struct sheet_style fact = {9.5, false, SHEET_INK};
static const struct sheet_style heading = {10.5, true, SHEET_INK};
static const struct sheet_style plain = {9.5, false, SHEET_INK};

enum sheet_ink report_sheet_state(const struct report *report) {
    const struct analysis_verdict *verdict = &report->analysis->verdict;
    const struct analysis_attempt *attempt = report_attempt(report);
    if (verdict->fault != FAULT_NOTHING_FOUND)
        return SHEET_OUT;
    if (!attempt || attempt->outcome == OUTCOME_UNKNOWN ||
        attempt->outcome == OUTCOME_RELEASED_EARLY)
        return SHEET_UNKNOWN;
    return attempt->outcome == OUTCOME_STARTED ? SHEET_IN_LIMITS : SHEET_OUT;
}

static const char *happened(const struct report *report) {
    const struct analysis_attempt *attempt = report_attempt(report);
    return attempt ? words_outcome(attempt) : "No attempt to start is in this record.";
}

static void draw_title(struct sheet *sheet, const struct report_sheet *of) {
    const struct hookup *hookup = playback_head(of->report->playback)->hookup;
    const struct sheet_style title = {17, true, report_sheet_state(of->report)};
    double width = sheet_width(sheet);
    const struct sheet_cell row[] = {
        {0, width * 0.6, &above, of->settings->title ? of->settings->title : "Report of a start",
         false},
        {width * 0.6, width * 0.4, &above, hookup->shop, true},
    };
    sheet_row(sheet, row, 2);
    sheet_space(sheet, 3);
    sheet_rule(sheet);
    sheet_space(sheet, 6);
    sheet_paragraph(sheet, &title, happened(of->report));
    sheet_space(sheet, 5);
}

/* A fact that nobody gave is left to the pen. */
static const char *given(const char *text) {
    return text && *text ? text : "........................................";
}

/* Three facts side by side, their labels above. */
static void draw_facts(struct sheet *sheet, const char *const names[3], const char *const facts[3],
                       const double shares[3]) {
    struct sheet_cell names_row[3], facts_row[3];
    double x = 0;
    for (size_t i = 0; i < 3; i++) {
        double width = sheet_width(sheet) * shares[i];
        names_row[i] = (struct sheet_cell){x, width - 10, &label, names[i], false};
        facts_row[i] = (struct sheet_cell){x, width - 10, &fact, facts[i], false};
        x += width;
    }
    sheet_keep(sheet, 24);
    sheet_row(sheet, names_row, 3);
    sheet_row(sheet, facts_row, 3);
    sheet_space(sheet, 4);
}

static void draw_all_facts(struct sheet *sheet, const struct report_sheet *of) {
    const struct report *report = of->report;
    const struct hookup *hookup = playback_head(report->playback)->hookup;
    char when[128];
    const char *const names[] = {"Vehicle", "Complaint", "When"};
    const char *const facts[] = {given(report->vehicle->name), given(report->vehicle->complaint),
                                 given(customer_when(report, when, sizeof when))};
    const char *const more_names[] = {"Job", "Registration, mileage", "Technician"};
    const char *const more[] = {given(hookup->job), given(NULL), given(hookup->technician)};
    static const double shares[] = {0.3, 0.4, 0.3};
    draw_facts(sheet, names, facts, shares);
    draw_facts(sheet, more_names, more, shares);
}

static void draw_sentences(struct sheet *sheet, const char *title, const char *const *sentences,
                           size_t count) {
    sheet_space(sheet, 5);
    sheet_keep(sheet, 40);
    sheet_paragraph(sheet, &heading, title);
    sheet_space(sheet, 2);
    for (size_t i = 0; i < count; i++)
        sheet_paragraph(sheet, &plain, sentences[i]);
}

static void draw_found(struct sheet *sheet, const struct report_sheet *of) {
    const struct analysis_verdict *verdict = &of->report->analysis->verdict;
    char place[256];
    const char *const found[] = {customer_meaning(of->report),
                                 customer_place(of->report, place, sizeof place),
                                 customer_certainty(of->report)};
    const char *const next[] = {
        customer_next(of->report),
        verdict->not_tested.count
            ? "Only what a test lead was on could be watched. What was not tested stands in the "
              "technician's part."
            : ""};
    bool told =
        verdict->fault != FAULT_NOTHING_FOUND || verdict->certainty != CERTAINTY_CANNOT_TELL;
    draw_sentences(sheet, "What was found", told ? found : found + 2, told ? 3 : 1);
    draw_sentences(sheet, "What comes next", next, 2);
}

static void draw_moment(struct sheet *sheet, const struct report_sheet *of) {
    if (of->columns == 0)
        return;
    static const struct sheet_style legend = {7, false, SHEET_FAINT};
    sheet_space(sheet, 7);
    sheet_keep(sheet, 120);
    sheet_paragraph(sheet, &heading, "The moment");
    sheet_space(sheet, 3);
    const struct traces_view view = {of->columns, 214, NULL};
    traces_draw(sheet, of->report, &view);
    sheet_paragraph(sheet, &legend,
                    "Each line is one wire, the higher the more voltage or current; a black area "
                    "switches faster than can be drawn. Dashed: what is allowed while the starter "
                    "turns. Hatched: out of limits. Dotted: not recorded.");
}

static void draw(struct sheet *sheet, const void *context) {
    const struct report_sheet *of = context;
    draw_title(sheet, of);
    draw_all_facts(sheet, of);
    draw_found(sheet, of);
    draw_moment(sheet, of);
    report_sheet_technician(sheet, of);
}

size_t report_sheet_columns(const struct report *report) {
    const struct head *head = playback_head(report->playback);
    double fastest = 0;
    for (size_t i = 0; i < head->stream_count; i++)
        fastest = fmax(fastest, head->streams[i].rate_hz);
    double scans = fastest * (report->shown_to_s - report->shown_from_s);
    if (!(report->shown_to_s > report->shown_from_s))
        return 0;
    return scans > 2 && scans < STRIP_COLUMNS ? (size_t)scans : STRIP_COLUMNS;
}

static int write_story(const struct report_sheet *of, FILE *stream) {
    const char *path = of->report->path;
    const char *file = strrchr(path, '/') ? strrchr(path, '/') + 1 : path;
    const char *vehicle = of->report->vehicle->name ? of->report->vehicle->name : "";
    char *title = NULL, *foot = NULL;
    if (asprintf(&title, "%s%s%s", vehicle, *vehicle ? ": " : "", happened(of->report)) < 0)
        return -ENOMEM;
    if (asprintf(&foot, "%s%scranktrap " CRANKTRAP_VERSION ", %.100s", vehicle,
                 *vehicle ? ", " : "", file) < 0)
        foot = NULL;
    const struct sheet_story story = {.draw = draw, .context = of, .title = title, .foot = foot};
    int result =
        foot ? sheet_write(of->settings->format, of->settings->paper, &story, stream) : -ENOMEM;
    free(foot);
    free(title);
    return result;
}

int report_sheet(const struct report *report, const struct report_sheet_settings *settings,
                 FILE *stream) {
    struct report_sheet of = {
        .report = report, .settings = settings, .columns = report_sheet_columns(report)};
    int result = file_hash(report->path, of.hash);
    if (result < 0)
        return result;
    if (of.columns && strip_fill(report->record, report->shown_from_s, report->shown_to_s,
                                 of.columns, report->strips) < 0)
        of.columns = 0; /* a picture less; the file's damage stands among the losses */
    result = report_sheet_closer(report, &of.closer);
    if (result < 0)
        return result;
    result = write_story(&of, stream);
    report_sheet_closer_done(&of.closer);
    return result;
}
