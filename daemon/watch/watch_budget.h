// SPDX-License-Identifier: Apache-2.0
/*
 * watch_budget.h - what a trigger may have saved of every hour, so that one that flaps cannot use
 * up the room for the attempts.
 *
 * A store of seconds that fills by `per_hour_s` an hour, up to `per_hour_s`, and is full at the
 * start. A mark is granted while anything is left; what it adds to the stretches granted before is
 * taken out (the last one granted may overdraw). Private to watch, and under its lock.
 */
#ifndef CRANKTRAP_WATCH_BUDGET_H
#define CRANKTRAP_WATCH_BUDGET_H

#include <stddef.h>
#include <stdint.h>

struct watch_mark;

struct watch_budget {
    double per_hour_s;   /* 0: marks only, nothing is ever saved */
    double left_s;       /* below 0: overdrawn */
    double filled_s;     /* when it was last filled up; NAN: never asked */
    double granted_to_s; /* the end of what was granted; -INFINITY: nothing */
    unsigned suppressed; /* beginnings that were marked, and not saved */
    int64_t latest_ns;   /* the moment of the latest of them */
};

/* Full. */
void watch_budget_init(struct watch_budget *budget, double per_hour_s);

enum watch_grant {
    WATCH_GRANTED,
    WATCH_COVERED,   /* nothing is left, but its moment is saved already; or it is the end of what
                        was suppressed: a note is enough */
    WATCH_SUPPRESSED /* a beginning that is not saved: counted */
};

/* What becomes of the stretch of this mark, at elapsed `now_s`. */
enum watch_grant watch_budget_ask(struct watch_budget *budget, const struct watch_mark *mark,
                                  double now_s);

#endif
