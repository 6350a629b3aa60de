// SPDX-License-Identifier: Apache-2.0
/*
 * requests.h - the stretches in which a start is asked for: the start line is up. Incremental.
 */
#ifndef CRANKTRAP_REQUESTS_H
#define CRANKTRAP_REQUESTS_H

#include "record.h"

#include <stddef.h>

struct request {
    double from_s, to_s;
};

struct requests;

/* A detector for the first start-request lead of `vehicle` (it may have none). 0 or -ENOMEM. */
int requests_new(const struct vehicle *vehicle, struct requests **requests);

/* Frees; takes NULL. */
void requests_free(struct requests *requests);

/* Takes the next run; 0 or -ENOMEM. */
int requests_push(struct requests *requests, const struct record_run *run);

/* No more runs come: the record ends at `to_s`, and what is still asked for ends there. */
int requests_finish(struct requests *requests, double to_s);

/* The stretches in order of time; they belong to `requests`. */
const struct request *requests_list(const struct requests *requests, size_t *count);

#endif
