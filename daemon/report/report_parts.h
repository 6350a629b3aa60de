// SPDX-License-Identifier: Apache-2.0
/*
 * report_parts.h - what the files of this folder share: an opened, analysed file.
 */
#ifndef CRANKTRAP_REPORT_PARTS_H
#define CRANKTRAP_REPORT_PARTS_H

#include "report.h"
#include "strip.h"

struct report {
    char *path;
    struct playback *playback;
    const struct record *record;
    const struct vehicle *vehicle;
    struct analysis *analysis;
    double zero_s;                   /* time zero of the pictures: the starter's engagement */
    double shown_from_s, shown_to_s; /* the stretch the pictures show */
    struct strip *strips; /* one per channel; filled when drawn, for the width there is */
};

/* The attempt the verdict is of, or NULL. */
const struct analysis_attempt *report_attempt(const struct report *report);

/* "sensor crank", "channel battery" or "" into `text`; returns it. */
const char *report_subject(const struct report *report, const struct analysis_verdict *verdict,
                           char *text, size_t size);

#endif
