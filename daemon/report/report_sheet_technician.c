// SPDX-License-Identifier: Apache-2.0
/*
 * report_sheet_technician.c - the sheet's lower half: what was measured, against what, and what to
 * do next.
 */
#include "board_limits.h"
#include "measuring.h"
#include "report_sheet_parts.h"
#include "report_words.h"
#include "traces.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SIDE         86.0 /* width of the headings beside the text */
#define SOURCES_MOST 64
#define LOSSES_SHOWN 20

static const struct sheet_style heading = {10.5, true, SHEET_INK};
static const struct sheet_style side = {7.5, true, SHEET_INK};
static const struct sheet_style body = {8, false, SHEET_INK};
static const struct sheet_style small = {7, false, SHEET_INK};
static const struct sheet_style faint = {7, false, SHEET_FAINT};

/* A sentence beside its heading (NULL: it goes on under the last). */
static void say(struct sheet *sheet, const char *name, const struct sheet_style *style,
                const char *text) {
    if (!text || !*text)
        return;
    sheet_space(sheet, name ? 4 : 1);
    const struct sheet_cell cells[] = {
        {0, SIDE - 8, &side, name, false},
        {SIDE, sheet_width(sheet) - SIDE, style, text, false},
    };
    sheet_row(sheet, cells, 2);
}

/* A list, kept together beside its heading. */
static void say_list(struct sheet *sheet, const char *name, const char *const *sentences,
                     size_t count) {
    char *text = NULL;
    size_t length = 0;
    FILE *list = count ? open_memstream(&text, &length) : NULL;
    if (!list)
        return;
    for (size_t i = 0; i < count; i++)
        fprintf(list, "%s%s", i ? "\n" : "", sentences[i]);
    if (fclose(list) == 0)
        say(sheet, name, &body, text);
    free(text);
}

static void say_all(struct sheet *sheet, const char *name, const struct analysis_texts *texts) {
    say_list(sheet, name, (const char *const *)texts->text, texts->count);
}

static void draw_verdict(struct sheet *sheet, const struct report_sheet *of) {
    const struct report *report = of->report;
    const struct analysis_verdict *verdict = &report->analysis->verdict;
    const struct analysis_attempt *attempt = report_attempt(report);
    const struct sheet_style state = {9, true,
                                      verdict->fault != FAULT_NOTHING_FOUND ? SHEET_OUT
                                      : verdict->certainty == CERTAINTY_CANNOT_TELL
                                          ? SHEET_UNKNOWN
                                          : SHEET_IN_LIMITS};
    char subject[160], words[320];
    report_subject(report, verdict, subject, sizeof subject);
    snprintf(words, sizeof words, "%s%s%s", fault_name(verdict->fault), subject[0] ? ", " : "",
             subject);
    say(sheet, "Verdict", &state, words);
    say(sheet, "Observed", &body, verdict->observed);
    say(sheet, "Certainty", &body, words_certainty(verdict));
    if (isfinite(verdict->at_s))
        say(sheet, "When", &body, words_moment(report, words, sizeof words));
    if (attempt)
        say(sheet, "Cranking", &body, words_cranked(attempt, words, sizeof words));
    say_all(sheet, "Because", &verdict->because);
    say_all(sheet, "Followed from it, not to blame", &verdict->followers);
    say_all(sheet, "What may lie behind it", &verdict->alternatives);
    say(sheet, "Before you test", &body, words_before_testing);
    say_all(sheet, "Test next", &verdict->next);
    say_all(sheet, "Not tested", &verdict->not_tested);
    say_list(sheet, "This night", of->settings->night, of->settings->night_count);
}

static void draw_closer(struct sheet *sheet, const struct report_sheet_closer *closer) {
    if (closer->columns == 0)
        return;
    char text[96];
    snprintf(text, sizeof text, "The moment from near: %.0f ms of it, seconds as above",
             1e3 * (closer->report.shown_to_s - closer->report.shown_from_s));
    sheet_space(sheet, 8);
    sheet_keep(sheet, 120);
    sheet_paragraph(sheet, &side, text);
    sheet_space(sheet, 3);
    const struct traces_view view = {closer->columns, 124, closer->wanted};
    traces_draw(sheet, &closer->report, &view);
}

/* ---- checks ---- */

/* Each source once; the table points at it by its number. */
struct sources {
    size_t count;
    const char *text[SOURCES_MOST];
};

static size_t source_number(struct sources *sources, const char *text) {
    for (size_t i = 0; i < sources->count; i++)
        if (strcmp(sources->text[i], text) == 0)
            return i + 1;
    if (sources->count == SOURCES_MOST)
        return 0;
    sources->text[sources->count++] = text;
    return sources->count;
}

static bool is_shown(const struct report *report, unsigned attempt) {
    return attempt == 0 || attempt == report->analysis->verdict_attempt;
}

/* Places and widths of a table's columns, as shares of the sheet's width. */
struct column {
    double from, to;
    bool right;
};

static void table_row(struct sheet *sheet, const struct column *columns, size_t count,
                      const char *const *texts, const struct sheet_style *style,
                      const struct sheet_style *last) {
    struct sheet_cell cells[8];
    double width = sheet_width(sheet);
    for (size_t i = 0; i < count; i++)
        cells[i] = (struct sheet_cell){
            columns[i].from * width, (columns[i].to - columns[i].from) * width - 4,
            i + 1 == count && last ? last : style, texts[i], columns[i].right};
    sheet_row(sheet, cells, count);
}

static const struct column check_columns[] = {
    {0, 0.22, false},  {0.22, 0.42, false}, {0.42, 0.51, false}, {0.51, 0.62, true},
    {0.62, 0.8, true}, {0.8, 0.87, true},   {0.89, 1, false}};

static void draw_check(struct sheet *sheet, const struct report *report,
                       const struct analysis_check *check, struct sources *sources) {
    const struct sheet_style result = {7, check->result != CHECK_PASS,
                                       check->result == CHECK_PASS   ? SHEET_IN_LIMITS
                                       : check->result == CHECK_FAIL ? SHEET_OUT
                                                                     : SHEET_UNKNOWN};
    char limits[64], measured[48] = "-", source[16] = "";
    if (isfinite(check->measured))
        snprintf(measured, sizeof measured, "%.*f %s", words_digits(check->unit), check->measured,
                 check->unit);
    words_limits(check, limits, sizeof limits);
    if (strcmp(limits, "-") != 0)
        snprintf(limits + strlen(limits), sizeof limits - strlen(limits), " %s", check->unit);
    if (check->source)
        snprintf(source, sizeof source, "%zu", source_number(sources, check->source));
    const char *const texts[] = {
        check->channel == CHANNEL_NONE ? "-" : report->vehicle->channels[check->channel].name,
        check->name,
        phase_name(check->phase),
        measured,
        limits,
        source,
        check_result_name(check->result)};
    table_row(sheet, check_columns, 7, texts, &small, &result);
    if (check->why && check->result != CHECK_PASS) {
        const struct sheet_cell why = {8, sheet_width(sheet) - 8, &faint, check->why, false};
        sheet_row(sheet, &why, 1);
    }
}

static void draw_checks(struct sheet *sheet, const struct report *report) {
    static const char *const heads[] = {"Lead",    "Check",  "Phase", "Measured",
                                        "Allowed", "Source", "Result"};
    const struct analysis *analysis = report->analysis;
    struct sources sources = {0};
    size_t drawn = 0;
    for (size_t i = 0; i < analysis->check_count; i++) {
        if (!is_shown(report, analysis->checks[i].attempt))
            continue;
        if (drawn++ == 0) {
            sheet_space(sheet, 8);
            sheet_keep(sheet, 60);
            sheet_paragraph(sheet, &side, "Checks");
            sheet_space(sheet, 1);
            table_row(sheet, check_columns, 7, heads, &faint, NULL);
            sheet_rule(sheet);
        }
        draw_check(sheet, report, &analysis->checks[i], &sources);
    }
    for (size_t i = 0; i < sources.count; i++) {
        char text[512];
        snprintf(text, sizeof text, "Source %zu: %s", i + 1, sources.text[i]);
        if (i == 0)
            sheet_space(sheet, 2);
        sheet_paragraph(sheet, &faint, text);
    }
}

/* ---- levels ---- */

static const struct column level_columns[] = {
    {0, 0.29, false},   {0.29, 0.41, true}, {0.41, 0.53, true}, {0.53, 0.67, true},
    {0.67, 0.78, true}, {0.78, 0.89, true}, {0.89, 1, true}};

static void draw_level(struct sheet *sheet, const struct report *report,
                       const struct analysis_level *level) {
    const struct vehicle_channel *channel = &report->vehicle->channels[level->channel];
    const double values[] = {level->lowest, level->highest, level->average,
                             level->low,    level->high,    level->edges_per_s};
    char texts[6][48];
    const char *row[7] = {channel->name};
    for (size_t i = 0; i < 6; i++) {
        if (!isfinite(values[i]))
            snprintf(texts[i], sizeof texts[i], "-");
        else if (i == 5)
            snprintf(texts[i], sizeof texts[i], "%.0f", values[i]);
        else
            snprintf(texts[i], sizeof texts[i], "%.*f %s", words_digits(channel->unit), values[i],
                     channel->unit);
        row[i + 1] = texts[i];
    }
    table_row(sheet, level_columns, 7, row, &small, NULL);
}

static void draw_levels(struct sheet *sheet, const struct report *report) {
    static const char *const heads[] = {"Lead",      "Lowest",     "Highest", "A meter shows",
                                        "Low state", "High state", "Edges/s"};
    const struct analysis *analysis = report->analysis;
    size_t drawn = 0;
    for (size_t i = 0; i < analysis->level_count; i++) {
        const struct analysis_level *level = &analysis->levels[i];
        if (level->phase != PHASE_CRANKING || !is_shown(report, level->attempt))
            continue;
        if (drawn++ == 0) {
            sheet_space(sheet, 8);
            sheet_keep(sheet, 60);
            sheet_paragraph(sheet, &side,
                            "While cranking, beside what an averaging meter would show");
            sheet_space(sheet, 1);
            table_row(sheet, level_columns, 7, heads, &faint, NULL);
            sheet_rule(sheet);
        }
        draw_level(sheet, report, level);
    }
}

/* ---- the measuring ---- */

static void draw_note(struct sheet *sheet, const struct report *report,
                      const struct measuring_note *note) {
    char text[sizeof note->text + 160];
    snprintf(text, sizeof text, "%s: %s", report->vehicle->channels[note->channel].name,
             note->text);
    say(sheet, "The measuring itself", &body, text);
}

static void draw_measuring(struct sheet *sheet, const struct report *report) {
    const struct hookup *hookup = playback_head(report->playback)->hookup;
    struct measuring_note note;
    char text[512];
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++)
        if (measuring_reference(hookup, report->analysis, i, &note))
            draw_note(sheet, report, &note);
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++)
        if (report_speed(report, i, &note))
            draw_note(sheet, report, &note);
    for (size_t i = 0; i < hookup->vehicle.sensor_count; i++)
        if (measuring_loading(&hookup->vehicle, i, &note))
            draw_note(sheet, report, &note);
    if (measuring_cylinders(&hookup->vehicle, report->analysis, &note))
        draw_note(sheet, report, &note);
    say(sheet, "Several boards", &body, words_boards_apart(report, text, sizeof text));
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++)
        say(sheet, "Calibration", &body, words_calibrated(report, i, text, sizeof text));
}

static void draw_losses(struct sheet *sheet, const struct report *report) {
    const struct record_loss *losses = NULL;
    size_t count = report->record->losses(report->record->context, &losses);
    size_t lost = count - report_pause_count(report), shown = 0;
    char text[512];
    for (size_t i = 0; i < playback_head(report->playback)->stream_count; i++)
        say(sheet, "Pauses", &body, report_pause_words(report, i, text, sizeof text));
    if (lost == 0)
        say(sheet, "Losses", &body, "None: every scan of this stretch is there.");
    for (size_t i = 0; i < count && shown < LOSSES_SHOWN; i++)
        if (!report_is_pause(&losses[i]))
            say(sheet, shown++ ? NULL : "Losses", &body,
                words_loss(report, &losses[i], text, sizeof text));
    if (lost > LOSSES_SHOWN) {
        snprintf(text, sizeof text, "And %zu more (`cranktrap report --json` lists all).",
                 lost - LOSSES_SHOWN);
        say(sheet, NULL, &body, text);
    }
}

static void draw_origin(struct sheet *sheet, const struct report_sheet *of) {
    char hash[128];
    words_when(of->report, hash, sizeof hash);
    say(sheet, "Record", &body, of->report->path);
    say(sheet, NULL, &body, hash);
    snprintf(hash, sizeof hash, "SHA-256 %s", of->hash);
    say(sheet, NULL, &small, hash);
    snprintf(hash, sizeof hash, "recorded by %.40s, this report by cranktrap " CRANKTRAP_VERSION,
             playback_head(of->report->playback)->software);
    say(sheet, NULL, &body, hash);
}

void report_sheet_technician(struct sheet *sheet, const struct report_sheet *of) {
    sheet_space(sheet, 10);
    sheet_keep(sheet, 60);
    sheet_rule(sheet);
    sheet_space(sheet, 4);
    sheet_paragraph(sheet, &heading, "For the technician");
    draw_verdict(sheet, of);
    draw_closer(sheet, &of->closer);
    draw_checks(sheet, of->report);
    draw_levels(sheet, of->report);
    sheet_space(sheet, 4);
    draw_measuring(sheet, of->report);
    draw_losses(sheet, of->report);
    draw_origin(sheet, of);
}
