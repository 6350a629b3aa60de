// SPDX-License-Identifier: Apache-2.0
/*
 * report_text.c - the report as a person reads it, on 80 columns.
 */
#include "measuring.h"
#include "page.h"
#include "picture.h"
#include "report_parts.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <string.h>
#include <time.h>

static const char *outcome_sentence(const struct analysis_attempt *attempt) {
    switch (attempt->outcome) {
    case OUTCOME_STARTED:
        return "The engine started.";
    case OUTCOME_STARTED_THEN_STOPPED:
        return "The engine started, then stopped.";
    case OUTCOME_DID_NOT_START:
        return "The engine cranked and did not start.";
    case OUTCOME_RELEASED_EARLY:
        return "The starter was released before the engine could have started.";
    case OUTCOME_DID_NOT_CRANK:
        return "A start was asked for, and the engine did not turn.";
    case OUTCOME_UNKNOWN:
        break;
    }
    return "Whether the engine started cannot be told from these leads.";
}

static const char *certainty_sentence(enum certainty certainty) {
    switch (certainty) {
    case CERTAINTY_SHOWN:
        return "shown: it stood on that wire, in this record";
    case CERTAINTY_LIKELY:
        return "likely: it fits what was recorded, but something that would prove it is missing";
    case CERTAINTY_CANNOT_TELL:
        break;
    }
    return "cannot tell: this record does not decide it";
}

static void print_when(const struct report *report, const struct page *page) {
    double wall_s = (double)playback_wall_ns(report->playback) * 1e-9;
    double zero_s = report->zero_s;
    time_t seconds = (time_t)(wall_s + zero_s);
    struct tm local;
    char wall[40] = "";
    if (wall_s > 0 && localtime_r(&seconds, &local))
        strftime(wall, sizeof wall, "%Y-%m-%d %H:%M:%S", &local);
    fprintf(page->stream, "%s%s%.1f s into a record of %.1f s\n", wall, wall[0] ? ", " : "",
            zero_s - report->record->from_s, report->record->to_s - report->record->from_s);
}

/* Which levels are better known than the hookup's own scales, and which are not. */
static void print_calibrated(const struct report *report, const struct page *page) {
    const struct hookup *hookup = playback_head(report->playback)->hookup;
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++) {
        const struct hookup_calibration *of = hookup_calibration(hookup, i);
        if (of->state != CALIBRATION_APPLIED)
            continue;
        const struct calibration *calibration = &of->calibration;
        time_t wall = (time_t)calibration->point[calibration->points - 1].wall_s;
        struct tm local;
        char words[160], date[32] = "", line[320];
        calibration_words(calibration, words, sizeof words);
        if (localtime_r(&wall, &local))
            strftime(date, sizeof date, "%Y-%m-%d", &local);
        snprintf(line, sizeof line, "Calibrated: %s, %s (%s)", hookup->vehicle.channels[i].name,
                 date, words);
        page_paragraph(page, "", line);
    }
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
    print_when(report, page);
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

/* As many digits as the interval's width means anything for. */
static void print_moment(const struct report *report, const struct analysis_verdict *verdict,
                         const struct page *page) {
    double width = verdict->at_to_s - verdict->at_from_s;
    const struct analysis_attempt *attempt = report_attempt(report);
    if (verdict->standing) {
        bool cranking = attempt && verdict->at_to_s > attempt->from_s - 0.05;
        fprintf(page->stream, "When:      as long as %s\n",
                cranking ? "the starter turned" : "it was looked at");
        return;
    }
    int digits = width > 0 ? (int)fmin(6, fmax(2, ceil(-log10(width)) + 1)) : 4;
    double at_s = verdict->at_s - report->zero_s;
    double from_s = verdict->at_from_s - report->zero_s;
    double to_s = verdict->at_to_s - report->zero_s;
    if (!attempt)
        fprintf(page->stream, "When:      at second %.*f, between %.*f and %.*f\n", digits, at_s,
                digits, from_s, digits, to_s);
    else if (to_s < 0)
        fprintf(page->stream,
                "When:      %.*f s before the starter engaged, between %.*f and %.*f s before\n",
                digits, -at_s, digits, -to_s, digits, -from_s);
    else
        fprintf(page->stream,
                "When:      %.*f s after the starter engaged, between %.*f and %.*f s\n", digits,
                at_s, digits, from_s, digits, to_s);
}

static void print_speed(const struct analysis_attempt *attempt, const struct page *page) {
    fprintf(page->stream, " at %.0f rpm (", attempt->rpm);
    if (attempt->rpm_high - attempt->rpm_low >= 2)
        fprintf(page->stream, "%.0f to %.0f, ", attempt->rpm_low, attempt->rpm_high);
    fprintf(page->stream, "from %s)", attempt->rpm_source);
}

static void print_answer(const struct report *report, const struct page *page) {
    const struct analysis_attempt *attempt = report_attempt(report);
    const struct analysis_verdict *verdict = &report->analysis->verdict;
    page_heading(page, "What happened");
    if (attempt) {
        page_paragraph(page, "", outcome_sentence(attempt));
        bool turned = attempt->outcome != OUTCOME_DID_NOT_CRANK;
        fprintf(page->stream, "%s %.1f s", turned ? "It cranked for" : "The attempt lasted",
                attempt->to_s - attempt->from_s);
        if (isfinite(attempt->rpm))
            print_speed(attempt, page);
        fprintf(page->stream, "%s.\n", attempt->cut_short ? "; the record ends inside it" : "");
    }
    if (verdict->observed)
        page_paragraph(page, "", verdict->observed);
    char subject[160];
    report_subject(report, verdict, subject, sizeof subject);
    fputs("\nVerdict:   ", page->stream);
    page_state(page,
               verdict->fault != FAULT_NOTHING_FOUND         ? PAGE_OUT
               : verdict->certainty == CERTAINTY_CANNOT_TELL ? PAGE_UNKNOWN
                                                             : PAGE_IN_LIMITS,
               fault_name(verdict->fault));
    fprintf(page->stream, "%s%s\n", subject[0] ? ", " : "", subject);
    page_paragraph(page, "Certainty: ", certainty_sentence(verdict->certainty));
    if (isfinite(verdict->at_s))
        print_moment(report, verdict, page);
}

static void print_limits(const struct analysis_check *check, char *text, size_t size) {
    bool low = isfinite(check->limit_low), high = isfinite(check->limit_high);
    if (low && high)
        snprintf(text, size, "%.2f to %.2f", check->limit_low, check->limit_high);
    else if (low)
        snprintf(text, size, "at least %.2f", check->limit_low);
    else if (high)
        snprintf(text, size, "at most %.2f", check->limit_high);
    else
        snprintf(text, size, "-");
}

static void print_check(const struct report *report, const struct page *page,
                        const struct analysis_check *check) {
    char limits[40], measured[24] = "-";
    print_limits(check, limits, sizeof limits);
    if (isfinite(check->measured))
        snprintf(measured, sizeof measured, "%.2f %s", check->measured, check->unit);
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
    for (size_t i = 0; i < hookup->vehicle.sensor_count; i++)
        if (measuring_loading(&hookup->vehicle, i, &note))
            print_note(report, page, &note, &any);
    if (measuring_cylinders(&hookup->vehicle, report->analysis, &note))
        print_note(report, page, &note, &any);
}

/* How well moments on leads of different boards compare. */
static void print_boards_apart(const struct report *report, const struct page *page) {
    char text[200];
    double apart_s = playback_apart_s(report->playback);
    if (!(apart_s > 0))
        return;
    page_heading(page, "Several boards on one axis");
    snprintf(text, sizeof text,
             "Times on leads of different boards compare within %.2g ms (one standard deviation; "
             "what a bus delays alike is not in it).",
             apart_s * 1e3);
    page_paragraph(page, "", text);
}

static void print_losses(const struct report *report, const struct page *page) {
    const struct record_loss *losses = NULL;
    size_t count = report->record->losses(report->record->context, &losses);
    const struct head *head = playback_head(report->playback);
    page_heading(page, "Losses");
    if (count == 0)
        fputs("None: every scan of this stretch is there.\n", page->stream);
    for (size_t i = 0; i < count && i < 20; i++) {
        const struct record_loss *loss = &losses[i];
        char text[256], scans[40] = "an unknown number of";
        if (loss->scans != RECORD_LOSS_UNKNOWN)
            snprintf(scans, sizeof scans, "%" PRIu64, loss->scans);
        snprintf(text, sizeof text, "%.3f to %.3f s: %s scans of board %s missing: %s",
                 loss->from_s - report->zero_s, loss->to_s - report->zero_s, scans,
                 loss->stream < head->stream_count ? head->streams[loss->stream].name : "?",
                 loss->reason);
        page_paragraph(page, "- ", text);
    }
    if (count > 20)
        fprintf(page->stream, "- and %zu more (--json lists all)\n", count - 20);
}

static void print_foot(const struct page *page) {
    page_heading(page, "Before you test");
    page_paragraph(
        page, "",
        "Test cranks only by trained people: clear of belts, fans and drive wheels, brake on, out "
        "of gear, ignition or fuel disabled by the maker's procedure, at most 10-15 s, then rest. "
        "A running engine makes carbon monoxide: outdoors or with extraction. Batteries gas: no "
        "sparks. Local rules, the maker's procedure and licensed practice come first.");
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
