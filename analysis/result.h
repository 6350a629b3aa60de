// SPDX-License-Identifier: Apache-2.0
/*
 * result.h - building a struct analysis: lists that grow, sentences, copies, and freeing it all.
 */
#ifndef CRANKTRAP_RESULT_H
#define CRANKTRAP_RESULT_H

#include "analysis.h"

/* A zeroed element at the end of a list of `analysis`, or NULL without memory. */
struct analysis_phase *result_add_phase(struct analysis *analysis);
struct analysis_attempt *result_add_attempt(struct analysis *analysis);
struct analysis_level *result_add_level(struct analysis *analysis);
struct analysis_check *result_add_check(struct analysis *analysis);
struct analysis_finding *result_add_finding(struct analysis *analysis);
struct analysis_wheel *result_add_wheel(struct analysis *analysis, size_t edges);
struct analysis_cam *result_add_cam(struct analysis *analysis);
struct analysis_cam_edge *result_add_cam_edge(struct analysis_cam *cam);

/* Takes the last cam away again; there is one. */
void result_drop_cam(struct analysis *analysis);

/* A sentence (as printf), allocated; NULL without memory, and then `*error` is -ENOMEM. */
char *result_sentence(int *error, const char *format, ...) __attribute__((format(printf, 2, 3)));

/* Adds a sentence to a list; one that is there already is not repeated. */
void result_say(int *error, struct analysis_texts *texts, const char *format, ...)
    __attribute__((format(printf, 3, 4)));

/* Frees the sentences and their list. */
void result_free_texts(struct analysis_texts *texts);

/* A verdict that nothing was found, without any sentence. */
struct analysis_verdict result_empty_verdict(void);

/* 0 or -ENOMEM, `*to` then being empty. */
int result_copy_verdict(const struct analysis_verdict *from, struct analysis_verdict *to);

#endif
