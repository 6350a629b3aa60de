// SPDX-License-Identifier: Apache-2.0
/*
 * board_limits.c - what the boards of a record could not see by design.
 */
#include "board_limits.h"

#include "board.h"

#include <stdio.h>
#include <string.h>

bool report_speed(const struct report *report, size_t channel, struct measuring_note *note) {
    const struct head *head = playback_head(report->playback);
    size_t stream = head->hookup->vehicle.channels[channel].stream;
    if (stream >= head->stream_count)
        return false;
    const struct head_stream *of = &head->streams[stream];
    double dead_time_s = of->described ? of->description.dead_time_s : 0;
    return measuring_speed(head->hookup, channel, of->rate_hz, dead_time_s, note);
}

bool report_is_pause(const struct record_loss *loss) {
    return strcmp(loss->reason, board_loss_name(BOARD_LOSS_DEAD_TIME)) == 0;
}

void report_pauses(const struct record_loss *losses, size_t count, size_t stream,
                   struct report_pauses *pauses) {
    *pauses = (struct report_pauses){0};
    for (size_t i = 0; i < count; i++) {
        if (losses[i].stream != stream || !report_is_pause(&losses[i]))
            continue;
        pauses->count++;
        pauses->seconds += losses[i].to_s - losses[i].from_s;
    }
}

size_t report_pause_count(const struct report *report) {
    const struct record_loss *losses = NULL;
    size_t count = report->record->losses(report->record->context, &losses), pauses = 0;
    for (size_t i = 0; i < count; i++)
        pauses += report_is_pause(&losses[i]);
    return pauses;
}

const char *report_pause_words(const struct report *report, size_t stream, char *text,
                               size_t size) {
    const struct record_loss *losses = NULL;
    size_t count = report->record->losses(report->record->context, &losses);
    struct report_pauses pauses;
    report_pauses(losses, count, stream, &pauses);
    text[0] = '\0';
    if (pauses.count > 0)
        snprintf(text, size,
                 "Board %s takes bursts: %zu pauses between them, %.3g s in all, were not seen, by "
                 "design.",
                 playback_head(report->playback)->streams[stream].name, pauses.count,
                 pauses.seconds);
    return text;
}
