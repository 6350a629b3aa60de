// SPDX-License-Identifier: Apache-2.0
/*
 * report_sheet_closer.c - the moment of the verdict from near: the wires it is about, edge by edge.
 */
#include "report_sheet_parts.h"
#include "traces.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

/* Shown before and after the moment: at least so long, and so many times its uncertainty. */
#define BEFORE_S     0.04
#define AFTER_S      0.08
#define BEFORE_WIDTH 2.0
#define AFTER_WIDTH  3.0
#define FEWEST_SCANS 40.0
#define MOST         0.5 /* of the other picture's stretch: nearer than that, or none */

static double rate_of(const struct report *report, size_t channel) {
    const struct head *head = playback_head(report->playback);
    size_t stream = report->vehicle->channels[channel].stream;
    return stream < head->stream_count ? head->streams[stream].rate_hz : (double)NAN;
}

/* The wires of the sensor, or the one that is named, beside the battery. */
static bool is_about(const struct report *report, size_t channel) {
    const struct analysis_verdict *verdict = &report->analysis->verdict;
    enum role role = report->vehicle->channels[channel].role;
    if (channel == verdict->channel || role == ROLE_BATTERY)
        return true;
    if (verdict->fault == FAULT_OUT_OF_STEP)
        return role == ROLE_SIGNAL;
    if (verdict->sensor == CHANNEL_NONE)
        return false;
    const struct vehicle_sensor *sensor = &report->vehicle->sensors[verdict->sensor];
    return channel == sensor->feed || channel == sensor->ret || channel == sensor->signal;
}

/* Chooses the stretch; false: there is no moment, or nothing to be seen closer. */
static bool choose_stretch(struct report *closer) {
    const struct analysis_verdict *verdict = &closer->analysis->verdict;
    if (verdict->fault == FAULT_NOTHING_FOUND || verdict->standing || !isfinite(verdict->at_s) ||
        verdict->channel == CHANNEL_NONE)
        return false;
    double width = verdict->at_to_s - verdict->at_from_s;
    double least = FEWEST_SCANS / rate_of(closer, verdict->channel);
    double before = fmax(fmax(BEFORE_S, BEFORE_WIDTH * width), least / 3);
    double after = fmax(fmax(AFTER_S, AFTER_WIDTH * width), least * 2 / 3);
    double shown_s = closer->shown_to_s - closer->shown_from_s;
    if (!(before + after < MOST * shown_s))
        return false;
    closer->shown_from_s = fmax(verdict->at_s - before, closer->record->from_s);
    closer->shown_to_s = fmin(verdict->at_s + after, closer->record->to_s);
    return closer->shown_to_s > closer->shown_from_s;
}

int report_sheet_closer(const struct report *report, struct report_sheet_closer *closer) {
    size_t channels = report->vehicle->channel_count;
    *closer = (struct report_sheet_closer){.report = *report};
    closer->report.strips = NULL;
    if (!choose_stretch(&closer->report))
        return 0;
    closer->report.strips = calloc(channels + 1, sizeof *closer->report.strips);
    closer->wanted = calloc(channels + 1, sizeof *closer->wanted);
    if (!closer->report.strips || !closer->wanted) {
        report_sheet_closer_done(closer);
        return -ENOMEM;
    }
    for (size_t i = 0; i < channels; i++)
        closer->wanted[i] = is_about(report, i);
    closer->columns = report_sheet_columns(&closer->report);
    if (closer->columns &&
        strip_fill(report->record, closer->report.shown_from_s, closer->report.shown_to_s,
                   closer->columns, closer->report.strips) < 0)
        closer->columns = 0; /* a picture less, as of the other one */
    return 0;
}

void report_sheet_closer_done(struct report_sheet_closer *closer) {
    free(closer->report.strips);
    free(closer->wanted);
    closer->report.strips = NULL;
    closer->wanted = NULL;
}
