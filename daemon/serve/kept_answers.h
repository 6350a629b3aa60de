// SPDX-License-Identifier: Apache-2.0
/*
 * kept_answers.h - the latest answers of children, so that what has not changed is not made again.
 * At most 16 answers and 16 MiB. Any thread.
 */
#ifndef CRANKTRAP_KEPT_ANSWERS_H
#define CRANKTRAP_KEPT_ANSWERS_H

#include "request.h"

int kept_answers_new(struct kept_answers **kept);
void kept_answers_free(struct kept_answers *kept); /* takes NULL */

/* A copy of the answer with this ETag; false: there is none. */
bool kept_answers_find(struct kept_answers *kept, const char *etag, struct answer *answer);

/* Keeps a copy of `answer`, which has an ETag; the oldest go. Without memory: nothing is kept. */
void kept_answers_put(struct kept_answers *kept, const struct answer *answer);

#endif
