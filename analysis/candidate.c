// SPDX-License-Identifier: Apache-2.0
/*
 * candidate.c - the list of candidates.
 */
#include "candidate.h"

#include "result.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

struct candidate *candidates_add(struct candidates *candidates, enum fault fault, size_t channel,
                                 size_t sensor) {
    struct candidate *list =
        realloc(candidates->list, (candidates->count + 1) * sizeof *candidates->list);
    if (list == NULL) {
        candidates->error = -ENOMEM;
        return NULL;
    }
    candidates->list = list;
    list[candidates->count] = (struct candidate){
        .fault = fault,
        .channel = channel,
        .sensor = sensor,
        .from_s = (double)NAN,
        .from_until_s = (double)NAN,
        .to_s = (double)NAN,
        .extreme = (double)NAN,
        .unit = "V",
        .certainty = CERTAINTY_LIKELY,
    };
    return &list[candidates->count++];
}

bool candidates_have(const struct candidates *candidates, enum fault fault, size_t channel) {
    for (size_t i = 0; i < candidates->count; i++) {
        if (candidates->list[i].fault == fault && candidates->list[i].channel == channel)
            return true;
    }
    return false;
}

void candidates_done(struct candidates *candidates) {
    for (size_t i = 0; i < candidates->count; i++) {
        struct candidate *candidate = &candidates->list[i];
        free(candidate->observed);
        free(candidate->text);
        result_free_texts(&candidate->because);
        result_free_texts(&candidate->followers);
        result_free_texts(&candidate->alternatives);
        result_free_texts(&candidate->next);
    }
    free(candidates->list);
    *candidates = (struct candidates){0};
}
