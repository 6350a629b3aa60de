// SPDX-License-Identifier: Apache-2.0
/*
 * report_text.c - the report as a person reads it, on 80 columns.
 */
#include "board_limits.h"
#include "measuring.h"
#include "page.h"
#include "picture.h"
#include "report_parts.h"
#include "report_words.h"

#include <errno.h>
#include <math.h>
#include <string.h>

#define LOSSES_SHOWN 20

/* Which levels are better known than the hookup's own scales, and which are not. */
static void print_calibrated(const struct report *report, const struct page *page) {
    char line[320];
    for (size_t i = 0; i < report->vehicle->channel_count; i++)
        if (words_calibrated(report, i, line, sizeof line)[0])
            page_paragraph(page, "", line);
}

static void print_heading(const struct report *report, const struct page *page, const char *title) {
    const struct vehicle *vehicle = report->vehicle;
    if (title) {
        page_state(page, PAGE_STRONG, title);
        fputc('\n', page->stream);
    }
    fprintf(page->stream, "%s\n", vehicle->name ? vehicle->name : report->path);
    if (vehicle->complaint) {
        char complaint[512];
        snprintf(complaint, sizeof complaint, "\"%s\"", vehicle->complaint);
        page_paragraph(page, "", complaint);
    }
    char when[128];
    fprintf(page->stream, "%s\n", words_when(report, when, sizeof when));
    print_calibrated(report, page);
}

static void print_texts(const struct page *page, const char *heading,
                        const struct analysis_texts *texts) {
    if (texts->count == 0)
        return;
    page_heading(page, heading);
    for (size_t i = 0; i < texts->count; i++)
        page_paragraph(page, "- ", texts->text[i]);
}

static void print_answer(const struct report *report, const struct page *page) {
    const struct analysis_attempt *attempt = report_attempt(report);
    const struct analysis_verdict *verdict = &report->analysis->verdict;
    char words[160];
    page_heading(page, "What happened");
    if (attempt) {
        page_paragraph(page, "", words_outcome(attempt));
        page_paragraph(page, "", words_cranked(attempt, words, sizeof words));
    }
    if (verdict->observed)
        page_paragraph(page, "", verdict->observed);
    report_subject(report, verdict, words, sizeof words);
    fputs("\nVerdict:   ", page->stream);
    page_state(page,
               verdict->fault != FAULT_NOTHING_FOUND         ? PAGE_OUT
               : verdict->certainty == CERTAINTY_CANNOT_TELL ? PAGE_UNKNOWN
                                                             : PAGE_IN_LIMITS,
               fault_name(verdict->fault));
    fprintf(page->stream, "%s%s\n", words[0] ? ", " : "", words);
    page_paragraph(page, "Certainty: ", words_certainty(verdict));
    if (isfinite(verdict->at_s))
        page_paragraph(page, "When:      ", words_moment(report, words, sizeof words));
}

static void print_check(const struct report *report, const struct page *page,
                        const struct analysis_check *check) {
    char limits[40], measured[24] = "-";
    words_limits(check, limits, sizeof limits);
    if (isfinite(check->measured))
        snprintf(measured, sizeof measured, "%.*f %s", words_digits(check->unit), check->measured,
                 check->unit);
    fprintf(page->stream, "%-18.18s %-19.19s %-8.8s %9s %14s ",
            check->channel == CHANNEL_NONE ? "-" : report->vehicle->channels[check->channel].name,
            check->name, phase_name(check->phase), measured, limits);
    page_state(page,
               check->result == CHECK_PASS   ? PAGE_IN_LIMITS
               : check->result == CHECK_FAIL ? PAGE_OUT
                                             : PAGE_UNKNOWN,
               check->result == CHECK_NOT_POSSIBLE ? "?" : check_result_name(check->result));
    fputc('\n', page->stream);
    if (check->why && check->result != CHECK_PASS)
        page_paragraph(page, "    ", check->why);
}

static bool is_shown(const struct report *report, unsigned attempt) {
    return attempt == 0 || attempt == report->analysis->verdict_attempt;
}

static void print_checks(const struct report *report, const struct page *page) {
    const struct analysis *analysis = report->analysis;
    if (analysis->check_count == 0)
        return;
    page_heading(page, "Checks");
    fprintf(page->stream, "%-18s %-19s %-8s %9s %14s\n", "lead", "check", "phase", "measured",
            "allowed");
    for (size_t i = 0; i < analysis->check_count; i++)
        if (is_shown(report, analysis->checks[i].attempt))
            print_check(report, page, &analysis->checks[i]);
}

static void print_cell(const struct page *page, double value, int decimals) {
    if (isfinite(value))
        fprintf(page->stream, " %8.*f", decimals, value);
    else
        fprintf(page->stream, " %8s", "-");
}

/* True levels beside what an averaging meter would have shown: why the meter cannot see it. */
static void print_levels(const struct report *report, const struct page *page) {
    const struct analysis *analysis = report->analysis;
    bool any = false;
    for (size_t i = 0; i < analysis->level_count; i++) {
        const struct analysis_level *level = &analysis->levels[i];
        if (level->phase != PHASE_CRANKING || !is_shown(report, level->attempt))
            continue;
        if (!any) {
            page_heading(page, "While cranking (meter: what an averaging meter would show)");
            fprintf(page->stream, "%-18s    %8s %8s %8s %8s %8s %8s\n", "lead", "lowest", "highest",
                    "meter", "low", "high", "edges/s");
        }
        any = true;
        const struct vehicle_channel *channel = &report->vehicle->channels[level->channel];
        fprintf(page->stream, "%-18.18s %-2.2s", channel->name, channel->unit);
        print_cell(page, level->lowest, 2);
        print_cell(page, level->highest, 2);
        print_cell(page, level->average, 2);
        print_cell(page, level->low, 2);
        print_cell(page, level->high, 2);
        print_cell(page, level->edges_per_s, 0);
        fputc('\n', page->stream);
    }
}

static void print_note(const struct report *report, const struct page *page,
                       const struct measuring_note *note, bool *any) {
    char text[sizeof note->text + 80];
    if (!*any)
        page_heading(page, "The measuring itself");
    *any = true;
    snprintf(text, sizeof text, "%s: %s", report->vehicle->channels[note->channel].name,
             note->text);
    page_paragraph(page, "- ", text);
}

/* What the board itself does to the levels above. */
static void print_measuring(const struct report *report, const struct page *page) {
    const struct hookup *hookup = playback_head(report->playback)->hookup;
    struct measuring_note note;
    bool any = false;
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++)
        if (measuring_reference(hookup, report->analysis, i, &note))
            print_note(report, page, &note, &any);
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++)
        if (report_speed(report, i, &note))
            print_note(report, page, &note, &any);
    for (size_t i = 0; i < hookup->vehicle.sensor_count; i++)
        if (measuring_loading(&hookup->vehicle, i, &note))
            print_note(report, page, &note, &any);
    if (measuring_cylinders(&hookup->vehicle, report->analysis, &note))
        print_note(report, page, &note, &any);
}

/* How well moments on leads of different boards compare. */
static void print_boards_apart(const struct report *report, const struct page *page) {
    char text[200];
    if (!words_boards_apart(report, text, sizeof text)[0])
        return;
    page_heading(page, "Several boards on one axis");
    page_paragraph(page, "", text);
}

static void print_losses(const struct report *report, const struct page *page) {
    const struct record_loss *losses = NULL;
    size_t count = report->record->losses(report->record->context, &losses);
    page_heading(page, "Losses");
    size_t lost = count - report_pause_count(report), shown = 0;
    char text[256];
    for (size_t i = 0; i < playback_head(report->playback)->stream_count; i++)
        if (report_pause_words(report, i, text, sizeof text)[0])
            page_paragraph(page, "", text);
    if (lost == 0)
        fputs("None: every scan of this stretch is there.\n", page->stream);
    for (size_t i = 0; i < count && shown < LOSSES_SHOWN; i++) {
        if (report_is_pause(&losses[i]))
            continue;
        shown++;
        words_loss(report, &losses[i], text, sizeof text);
        page_paragraph(page, "- ", text);
    }
    if (lost > LOSSES_SHOWN)
        fprintf(page->stream, "- and %zu more (--json lists all)\n", lost - LOSSES_SHOWN);
}

static void print_foot(const struct page *page) {
    page_heading(page, "Before you test");
    page_paragraph(page, "", words_before_testing);
}

int report_text(const struct report *report, const struct report_text_settings *settings,
                FILE *stream) {
    const struct page page = {stream, settings->width, settings->color, settings->ascii};
    const struct analysis_verdict *verdict = &report->analysis->verdict;
    print_heading(report, &page, settings->title);
    print_answer(report, &page);
    print_texts(&page, "Because", &verdict->because);
    picture_draw(report, &page);
    print_texts(&page, "Followed from it (not to blame)", &verdict->followers);
    print_texts(&page, "What may lie behind it", &verdict->alternatives);
    print_texts(&page, "Test next", &verdict->next);
    print_texts(&page, "Not tested", &verdict->not_tested);
    print_levels(report, &page);
    print_checks(report, &page);
    print_measuring(report, &page);
    print_boards_apart(report, &page);
    print_losses(report, &page);
    print_foot(&page);
    return ferror(stream) ? -EIO : 0;
}
