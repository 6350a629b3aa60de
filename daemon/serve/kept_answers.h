// SPDX-License-Identifier: Apache-2.0
/*
 * kept_answers.h - the latest answers of children, so that what has not changed is not made again.
 * At most 16 answers and 16 MiB. Any thread.
 */
#ifndef CRANKTRAP_KEPT_ANSWERS_H
#define CRANKTRAP_KEPT_ANSWERS_H

#include "request.h"

/* 0 or a negative errno. */
int kept_answers_new(struct kept_answers **kept);
void kept_answers_free(struct kept_answers *kept); /* takes NULL */

/*
 * On a worker: true where the asker has the answer with this ETag (304), or it is kept here: then
 * `request->answer` is it.
 */
bool kept_answers_known(struct request *request, const char *etag);

/*
 * On a worker: `request->answer` gets this ETag, and a copy of it is kept; the oldest go. Without
 * memory nothing is kept.
 */
void kept_answers_keep(struct request *request, const char *etag);

#endif
