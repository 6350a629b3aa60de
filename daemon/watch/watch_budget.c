// SPDX-License-Identifier: Apache-2.0
/*
 * watch_budget.c - seconds to be saved, filled by the hour.
 */
#include "watch_budget.h"

#include "watch.h"

#include <math.h>
#include <stdbool.h>

#define HOUR_S 3600.0

void watch_budget_init(struct watch_budget *budget, double per_hour_s) {
    *budget = (struct watch_budget){.per_hour_s = per_hour_s,
                                    .left_s = per_hour_s,
                                    .filled_s = (double)NAN,
                                    .granted_to_s = -(double)INFINITY};
}

static void fill(struct watch_budget *budget, double now_s) {
    double passed_s = isnan(budget->filled_s) ? 0.0 : now_s - budget->filled_s;
    budget->filled_s = now_s;
    if (passed_s > 0.0)
        budget->left_s =
            fmin(budget->left_s + passed_s * budget->per_hour_s / HOUR_S, budget->per_hour_s);
}

enum watch_grant watch_budget_ask(struct watch_budget *budget, const struct watch_mark *mark,
                                  double now_s) {
    double at_s = (double)mark->elapsed_ns * 1e-9;
    double to_s = at_s + mark->after_s;
    bool is_saved = at_s <= budget->granted_to_s;
    fill(budget, now_s);
    if (budget->left_s > 0.0 && (mark->begins || is_saved)) {
        double fresh_s = to_s - fmax(at_s - mark->before_s, budget->granted_to_s);
        budget->left_s -= fmax(fresh_s, 0.0);
        budget->granted_to_s = fmax(budget->granted_to_s, to_s);
        return WATCH_GRANTED;
    }
    if (!mark->begins || is_saved)
        return WATCH_COVERED;
    budget->suppressed++;
    budget->latest_ns = mark->elapsed_ns;
    return WATCH_SUPPRESSED;
}
