// SPDX-License-Identifier: Apache-2.0
/*
 * night_study.h - a night as its own control: the attempts that failed beside those that started.
 */
#ifndef CRANKTRAP_NIGHT_STUDY_H
#define CRANKTRAP_NIGHT_STUDY_H

#include "contrast.h"
#include "night.h"

/* One reading of every attempt that is compared. */
struct night_reading {
    char name[112]; /* "crank-feed, cranking: lowest" */
    char unit[16];  /* "" for a share; "yes" for a yes/no reading */
    struct contrast contrast;
};

/* A fault that more than one failed attempt shares, or that only one had. */
struct night_repeat {
    const char *fault;                /* borrowed from a report, as the next */
    const char *subject;              /* sensor or channel; NULL: neither */
    size_t times;                     /* failed attempts with it */
    double after_low_s, after_high_s; /* after the starter's engagement; NAN: not known */
};

/* A check that was out of limits in a failed attempt, and as far out in all that started. */
struct night_alike {
    const char *check, *channel, *phase; /* borrowed */
};

struct night_study {
    const struct night_row **attempts; /* all of the night, in order of time */
    size_t attempt_count;
    size_t failed, started, other; /* other: released early, or the outcome is not known */
    double lost_scans;
    size_t losses, losses_of_unknown_size;
    struct night_reading *readings; /* least probable first, then widest apart */
    size_t reading_count;
    struct night_repeat *repeats; /* most frequent first */
    size_t repeat_count;
    struct night_alike *alike;
    size_t alike_count;
};

/*
 * Studies the attempts at `since_s` (seconds since 1970; NAN: all) or later. An attempt without a
 * date is kept. Borrows from `night`. 0, or -ENOMEM with `study` untouched.
 */
int night_study(const struct night *night, double since_s, struct night_study *study);

/* Frees; takes a zeroed one. */
void night_study_done(struct night_study *study);

/* Did it fail (1), start (-1), or neither (0)? A fault found in an attempt that started is no
 * failure to start. */
int night_outcome(const struct night_row *row);

/* Wall time of the attempt in seconds since 1970; NAN: not known. */
double night_wall(const struct night_row *row);

#endif
