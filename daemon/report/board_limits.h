// SPDX-License-Identifier: Apache-2.0
/*
 * board_limits.h - what the boards of a record could not see by design: edges faster than their
 * scans, and the pauses between the bursts of a burst board. Internal to daemon/report.
 */
#ifndef CRANKTRAP_BOARD_LIMITS_H
#define CRANKTRAP_BOARD_LIMITS_H

#include "measuring.h"
#include "record.h"
#include "report_parts.h"

#include <stdbool.h>
#include <stddef.h>

/* measuring_speed() of a channel of the record, with its board as it was. */
bool report_speed(const struct report *report, size_t channel, struct measuring_note *note);

/* It is no loss, but the dead time of a burst board. */
bool report_is_pause(const struct record_loss *loss);

struct report_pauses {
    size_t count;
    double seconds;
};
/* Of one stream, among all losses. */
void report_pauses(const struct record_loss *losses, size_t count, size_t stream,
                   struct report_pauses *pauses);

/* All pauses of the record, counted, and a sentence for those of one stream; "" without any. */
size_t report_pause_count(const struct report *report);
const char *report_pause_words(const struct report *report, size_t stream, char *text, size_t size);

#endif
