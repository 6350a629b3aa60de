// SPDX-License-Identifier: Apache-2.0
/*
 * report_words.c - phrases of a report.
 */
#include "report_words.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

const char words_before_testing[] =
    "Test cranks only by trained people: clear of belts, fans and drive wheels, brake on, out "
    "of gear, ignition or fuel disabled by the maker's procedure, at most 10-15 s, then rest. "
    "A running engine makes carbon monoxide: outdoors or with extraction. Batteries gas: no "
    "sparks. Local rules, the maker's procedure and licensed practice come first.";

const char *words_outcome(const struct analysis_attempt *attempt) {
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
    return "Whether the engine started cannot be told from this record.";
}

/* Of circuits that were good: how much of them was seen. */
static const char *certainty_of_nothing(enum certainty certainty) {
    switch (certainty) {
    case CERTAINTY_SHOWN:
        return "shown: each of these was measured and good, in this record";
    case CERTAINTY_LIKELY:
        return "likely: what could be measured was good, but not all of it could";
    case CERTAINTY_CANNOT_TELL:
        break;
    }
    return "cannot tell: too little could be measured";
}

const char *words_certainty(const struct analysis_verdict *verdict) {
    if (verdict->fault == FAULT_NOTHING_FOUND)
        return certainty_of_nothing(verdict->certainty);
    switch (verdict->certainty) {
    case CERTAINTY_SHOWN:
        return "shown: it stood on that wire, in this record";
    case CERTAINTY_LIKELY:
        return "likely: it fits what was recorded, but something that would prove it is missing";
    case CERTAINTY_CANNOT_TELL:
        break;
    }
    return "cannot tell: this record does not decide it";
}

const char *words_zero(const struct report *report) {
    const struct analysis_attempt *attempt = report_attempt(report);
    if (attempt)
        return attempt->outcome == OUTCOME_DID_NOT_CRANK ? "a start is asked for"
                                                         : "the starter engages";
    return isfinite(report->analysis->verdict.at_s) ? "it was found" : "the record begins";
}

const char *words_when(const struct report *report, char *text, size_t size) {
    double wall_s = (double)playback_wall_ns(report->playback) * 1e-9;
    double zero_s = report->zero_s;
    time_t seconds = (time_t)(wall_s + zero_s);
    struct tm local;
    char wall[40] = "";
    if (wall_s > 0 && localtime_r(&seconds, &local))
        strftime(wall, sizeof wall, "%Y-%m-%d %H:%M:%S", &local);
    snprintf(text, size, "%s%s%.1f s into a record of %.1f s", wall, wall[0] ? ", " : "",
             zero_s - report->record->from_s, report->record->to_s - report->record->from_s);
    return text;
}

const char *words_cranked(const struct analysis_attempt *attempt, char *text, size_t size) {
    char speed[96] = "", range[40] = "";
    if (isfinite(attempt->rpm) && attempt->rpm_high - attempt->rpm_low >= 2)
        snprintf(range, sizeof range, "%.0f to %.0f, ", attempt->rpm_low, attempt->rpm_high);
    if (isfinite(attempt->rpm))
        snprintf(speed, sizeof speed, " at %.0f rpm (%sfrom %s)", attempt->rpm, range,
                 attempt->rpm_source);
    snprintf(text, size, "%s %.1f s%s%s.",
             attempt->outcome != OUTCOME_DID_NOT_CRANK ? "It cranked for" : "The attempt lasted",
             attempt->to_s - attempt->from_s, speed,
             attempt->cut_short ? "; the record ends inside it" : "");
    return text;
}

const char *words_moment(const struct report *report, char *text, size_t size) {
    const struct analysis_verdict *verdict = &report->analysis->verdict;
    const struct analysis_attempt *attempt = report_attempt(report);
    if (verdict->standing) {
        bool cranking = attempt && verdict->at_to_s > attempt->from_s - 0.05;
        bool asked = attempt && attempt->outcome == OUTCOME_DID_NOT_CRANK;
        snprintf(text, size, "as long as %s",
                 asked      ? "a start was asked for"
                 : cranking ? "the starter turned"
                            : "it was looked at");
        return text;
    }
    double width = verdict->at_to_s - verdict->at_from_s;
    int digits = width > 0 ? (int)fmin(6, fmax(2, ceil(-log10(width)) + 1)) : 4;
    double at_s = verdict->at_s - report->zero_s;
    double from_s = verdict->at_from_s - report->zero_s;
    double to_s = verdict->at_to_s - report->zero_s;
    if (!attempt)
        snprintf(text, size, "at second %.*f, between %.*f and %.*f", digits, at_s, digits, from_s,
                 digits, to_s);
    else if (from_s <= 0 && to_s >= 0)
        snprintf(text, size, "as the starter engaged, within %.1f ms", 1e3 * fmax(-from_s, to_s));
    else if (to_s < 0)
        snprintf(text, size, "%.*f s before the starter engaged, between %.*f and %.*f s before",
                 digits, -at_s, digits, -to_s, digits, -from_s);
    else
        snprintf(text, size, "%.*f s after the starter engaged, between %.*f and %.*f s", digits,
                 at_s, digits, from_s, digits, to_s);
    return text;
}

int words_digits(const char *unit) {
    return unit && strcmp(unit, "V") == 0 ? 2 : unit && strcmp(unit, "rpm") == 0 ? 0 : 1;
}

const char *words_limits(const struct analysis_check *check, char *text, size_t size) {
    bool low = isfinite(check->limit_low), high = isfinite(check->limit_high);
    int digits = words_digits(check->unit);
    if (low && high)
        snprintf(text, size, "%.*f to %.*f", digits, check->limit_low, digits, check->limit_high);
    else if (low)
        snprintf(text, size, "at least %.*f", digits, check->limit_low);
    else if (high)
        snprintf(text, size, "at most %.*f", digits, check->limit_high);
    else
        snprintf(text, size, "-");
    return text;
}

const char *words_loss(const struct report *report, const struct record_loss *loss, char *text,
                       size_t size) {
    const struct head *head = playback_head(report->playback);
    char scans[40] = "an unknown number of";
    if (loss->scans != RECORD_LOSS_UNKNOWN)
        snprintf(scans, sizeof scans, "%" PRIu64, loss->scans);
    snprintf(text, size, "%.3f to %.3f s: %s scans of board %s missing: %s",
             loss->from_s - report->zero_s, loss->to_s - report->zero_s, scans,
             loss->stream < head->stream_count ? head->streams[loss->stream].name : "?",
             loss->reason);
    return text;
}

const char *words_calibrated(const struct report *report, size_t channel, char *text, size_t size) {
    const struct hookup *hookup = playback_head(report->playback)->hookup;
    const struct hookup_calibration *of = hookup_calibration(hookup, channel);
    snprintf(text, size, "%s", "");
    if (of->state != CALIBRATION_APPLIED)
        return text;
    const struct calibration *calibration = &of->calibration;
    time_t wall = (time_t)calibration->point[calibration->points - 1].wall_s;
    struct tm local;
    char words[160], date[32] = "";
    calibration_words(calibration, words, sizeof words);
    if (localtime_r(&wall, &local))
        strftime(date, sizeof date, "%Y-%m-%d", &local);
    snprintf(text, size, "Calibrated: %s, %s (%s)", hookup->vehicle.channels[channel].name, date,
             words);
    return text;
}

const char *words_boards_apart(const struct report *report, char *text, size_t size) {
    double apart_s = playback_apart_s(report->playback);
    snprintf(text, size, "%s", "");
    if (apart_s > 0)
        snprintf(text, size,
                 "Times on leads of different boards compare within %.2g ms (one standard "
                 "deviation; what a bus delays alike is not in it).",
                 apart_s * 1e3);
    return text;
}
