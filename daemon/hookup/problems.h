// SPDX-License-Identifier: Apache-2.0
/*
 * problems.h - every error of a file at once, each with its place and remedy.
 */
#ifndef CRANKTRAP_PROBLEMS_H
#define CRANKTRAP_PROBLEMS_H

#include <stddef.h>
#include <stdio.h>

struct problem {
    unsigned line; /* 1..; 0: of the file as a whole */
    char *where;   /* "[channel crank-feed] nominal", or NULL */
    char *read;    /* the value as it stands there, or NULL */
    char *text;    /* what is wrong and what is allowed: a plain sentence */
};

struct problems {
    size_t count;
    struct problem *problem;
};

/*
 * Adds one; texts are copied, `format` makes the sentence. Bytes that are no UTF-8 and control
 * characters become '?'. -ENOMEM leaves the list as it was.
 */
int problems_add(struct problems *problems, unsigned line, const char *where, const char *read,
                 const char *format, ...) __attribute__((format(printf, 5, 6)));

/* Prints "FILE:LINE: [section] key: read "value": text", sorted by line. */
void problems_print(const struct problems *problems, const char *file, FILE *stream);

/* Frees what the list holds and empties it; takes NULL. */
void problems_clear(struct problems *problems);

#endif
