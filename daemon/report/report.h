// SPDX-License-Identifier: Apache-2.0
/*
 * report.h - from a container file to the text a person reads and the JSON a program reads.
 */
#ifndef CRANKTRAP_REPORT_H
#define CRANKTRAP_REPORT_H

#include "analysis.h"
#include "playback.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

/* A file, opened and analysed. */
struct report;

/*
 * Opens `path`, analyses it. 0, or a negative errno with a sentence in `why`. A damaged file is
 * reported as far as it can be read, its damage among the losses. `progress` may be NULL.
 */
int report_make(const char *path, void (*progress)(void *context, double share), void *context,
                struct report **report, char *why, size_t why_size);

/*
 * The same of a record that is open: takes `playback` over, also on failure. `name` is what the
 * report calls its file.
 */
int report_make_of(struct playback *playback, const char *name,
                   void (*progress)(void *context, double share), void *context,
                   struct report **report, char *why, size_t why_size);

/* Frees; takes NULL. */
void report_free(struct report *report);

/* What it reports; the report's. */
const struct analysis *report_analysis(const struct report *report);

/* The JSON of design "cranktrap.report/1" (docs/json.md); allocated, free it. NULL: no memory. */
char *report_json(const struct report *report);

struct report_text_settings {
    unsigned width;    /* columns; 80 unless the terminal is narrower (60 at least) */
    bool color;        /* state in colour: in limits, out, unknown */
    bool ascii;        /* no characters beyond ASCII */
    const char *title; /* "Attempt 7 of 11" or NULL */
};

/* Prints the report. 0, or the stream's error. */
int report_text(const struct report *report, const struct report_text_settings *settings,
                FILE *stream);

#endif
