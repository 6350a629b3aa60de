// SPDX-License-Identifier: Apache-2.0
/*
 * ask.h - questions to a person, one line each; the answer in brackets is what Enter takes.
 */
#ifndef CRANKTRAP_ASK_H
#define CRANKTRAP_ASK_H

#include <stdbool.h>
#include <stddef.h>

#define ASK_BYTES 200 /* of an answer; longer ones are cut */

/* A line that is shown above a question and kept fresh while its answer is waited for. */
struct ask_above {
    void *context;
    void (*text)(void *context, char *text, size_t size);
};

/* From now on SIGINT ends questions with -EINTR instead of the program. */
void ask_begin(void);

/* SIGINT has come since. */
bool ask_interrupted(void);

/*
 * Asks; `answer` (ASK_BYTES) gets the line without blanks around it, or `standard` where it is
 * empty ("" where standard is NULL). `above` may be NULL. 0; -EINTR after Ctrl-C; -ENODATA where
 * the input has ended.
 */
int ask(const char *question, const char *standard, const struct ask_above *above, char *answer);

/* Asks until the answer is one of `count` words (or unambiguously begins one): its index, or as
 * ask(). `standard` is an index. */
int ask_word(const char *question, const char *const *words, size_t count, size_t standard);

/* Waits, so that something can be measured. 0 or -EINTR. */
int ask_pause(double seconds);

#endif
