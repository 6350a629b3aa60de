// SPDX-License-Identifier: Apache-2.0
/*
 * answers.h - the JSON bodies of the API, made from the daemon's parts. docs/api.md, docs/json.md.
 *
 * Each returns a new reference, or NULL without memory. Any thread.
 */
#ifndef CRANKTRAP_ANSWERS_H
#define CRANKTRAP_ANSWERS_H

#include "serve.h"

#include <jansson.h>

/* "cranktrap.status/1": watching state and why, boards, ring, snapshots, attempts. */
json_t *answer_status(const struct serve_parts *parts);

/* "cranktrap.now/1": every channel's reading over the last half second. `sequence` counts them. */
json_t *answer_now(const struct serve_parts *parts, unsigned long sequence);

/*
 * "cranktrap.snapshot/1": a snapshot of the folder, and what was said of it. `error` may be NULL;
 * not finished and without an error: it is still being written.
 */
json_t *answer_snapshot(const char *folder, unsigned number, bool finished, const char *error);

/* "cranktrap.error/1". `remedy` may be NULL. */
json_t *answer_error(const char *text, const char *remedy);

#endif
