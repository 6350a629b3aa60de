// SPDX-License-Identifier: Apache-2.0
/*
 * report.c - opens a file, has it analysed, and gathers what the report shows.
 */
#include "report.h"

#include "report_parts.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MARGIN_S      1.5  /* shown before the engagement and after the release */
#define SHOWN_MOST_S  30.0 /* a picture of more would hide the moment */
#define WHOLE_SHOWN_S 60.0 /* of a record without an attempt */

const struct analysis_attempt *report_attempt(const struct report *report) {
    const struct analysis *analysis = report->analysis;
    for (size_t i = 0; i < analysis->attempt_count; i++)
        if (analysis->attempts[i].number == analysis->verdict_attempt)
            return &analysis->attempts[i];
    return NULL;
}

const char *report_subject(const struct report *report, const struct analysis_verdict *verdict,
                           char *text, size_t size) {
    if (verdict->sensor != CHANNEL_NONE)
        snprintf(text, size, "sensor %s", report->vehicle->sensors[verdict->sensor].name);
    else if (verdict->channel != CHANNEL_NONE)
        snprintf(text, size, "channel %s", report->vehicle->channels[verdict->channel].name);
    else
        snprintf(text, size, "%s", "");
    return text;
}

/* The stretch the pictures show: the attempt with a margin, or the moment of the finding. */
static void choose_stretch(struct report *report) {
    const struct record *record = report->record;
    const struct analysis_attempt *attempt = report_attempt(report);
    double from = record->from_s, to = record->to_s;
    report->zero_s = from;
    if (attempt) {
        report->zero_s = attempt->from_s;
        from = fmax(from, attempt->from_s - MARGIN_S);
        to = fmin(to, fmin(attempt->to_s + 2 * MARGIN_S, from + SHOWN_MOST_S));
    } else if (isfinite(report->analysis->verdict.at_s)) {
        report->zero_s = report->analysis->verdict.at_s;
        from = fmax(from, report->zero_s - MARGIN_S * 2);
        to = fmin(to, report->zero_s + MARGIN_S * 4);
    } else {
        to = fmin(to, from + WHOLE_SHOWN_S);
    }
    report->shown_from_s = from;
    report->shown_to_s = to;
}

int report_make_of(struct playback *playback, const char *name,
                   void (*progress)(void *context, double share), void *context,
                   struct report **report, char *why, size_t why_size) {
    struct report *made = calloc(1, sizeof *made);
    if (!made) {
        playback_free(playback);
        return -ENOMEM;
    }
    int result = -ENOMEM;
    made->playback = playback;
    made->path = strdup(name);
    if (!made->path)
        goto failed;
    made->record = playback_record(made->playback);
    made->vehicle = made->record->vehicle;
    result = analysis_run(made->record, &playback_head(made->playback)->hookup->limits, progress,
                          context, &made->analysis);
    if (result < 0)
        goto failed;
    choose_stretch(made);
    made->strips = calloc(made->vehicle->channel_count + 1, sizeof *made->strips);
    result = -ENOMEM;
    if (!made->strips)
        goto failed;
    *report = made;
    return 0;
failed:
    if (why_size)
        snprintf(why, why_size, "%s", strerror(-result));
    report_free(made);
    return result;
}

int report_make(const char *path, void (*progress)(void *context, double share), void *context,
                struct report **report, char *why, size_t why_size) {
    struct playback *playback = NULL;
    int result = playback_open(&path, 1, &playback, why, why_size);
    if (result < 0)
        return result;
    return report_make_of(playback, path, progress, context, report, why, why_size);
}

void report_free(struct report *report) {
    if (!report)
        return;
    free(report->strips);
    analysis_free(report->analysis);
    playback_free(report->playback);
    free(report->path);
    free(report);
}

const struct analysis *report_analysis(const struct report *report) {
    return report->analysis;
}
