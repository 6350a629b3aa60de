// SPDX-License-Identifier: Apache-2.0
/*
 * poll_pace.c - when to ask again, and what was missed.
 */
#include "poll_pace.h"

#include <math.h>
#include <string.h>

#define SECOND_NS 1e9

void poll_pace_begin(struct poll_pace *pace, double rate_hz, int64_t now_ns) {
    *pace = (struct poll_pace){.rate_hz = rate_hz, .first_ns = now_ns};
}

int64_t poll_pace_due_ns(const struct poll_pace *pace) {
    return pace->first_ns + llround((double)pace->next * SECOND_NS / pace->rate_hz);
}

/* The poll after this one is the latest that is due; how many are passed over. */
static uint64_t go_on(struct poll_pace *pace, int64_t now_ns) {
    pace->next++;
    double due = floor((double)(now_ns - pace->first_ns) * pace->rate_hz / SECOND_NS);
    uint64_t latest = due > 0 ? (uint64_t)due : 0;
    uint64_t passed = latest > pace->next ? latest - pace->next : 0;
    pace->next += passed;
    return passed;
}

void poll_pace_scan(struct poll_pace *pace, const struct board_sinks *sinks, const int32_t *counts,
                    int64_t now_ns) {
    for (size_t i = 0; pace->any && i < BOARD_LOSSES; i++)
        if (pace->missed[i])
            sinks->loss(sinks->context, (enum board_loss)i, pace->missed[i]);
    memset(pace->missed, 0, sizeof pace->missed);
    sinks->samples(sinks->context, counts, 1);
    pace->any = true;
    pace->missed[BOARD_LOSS_LATE] += go_on(pace, now_ns);
}

void poll_pace_missed(struct poll_pace *pace, enum board_loss reason, int64_t now_ns) {
    pace->missed[reason] += 1 + go_on(pace, now_ns);
}
