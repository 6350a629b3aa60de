// SPDX-License-Identifier: Apache-2.0
/*
 * print.h - the small things every command prints alike: sizes, durations, progress, JSON.
 */
#ifndef CRANKTRAP_PRINT_H
#define CRANKTRAP_PRINT_H

#include <jansson.h>
#include <stddef.h>
#include <stdio.h>

/* "3.4 GB", "12 kB", "640 bytes" into `text`; returns it. */
const char *print_bytes(double bytes, char *text, size_t size);

/* "5 h 12 min", "34 s", "0.25 s" into `text`; returns it. */
const char *print_duration(double seconds, char *text, size_t size);

/* "1 234 567" into `text`; returns it. */
const char *print_count(double count, char *text, size_t size);

/* A progress line on stderr, only when that is a terminal. `context` is what is worked on. */
void print_progress(void *context, double share);

/* Takes the progress line away again. */
void print_progress_done(void);

/* Columns of the terminal behind `stream`, at most 80; 80 where it is none. */
unsigned print_width(FILE *stream);

/* JSON on stdout with a newline; takes the reference. An exit status (command.h). */
int print_json(json_t *json);

/* Reads "20s", "300 ms", "1.5min", "2 h", "20" (seconds). Negative where it cannot be read. */
double print_read_seconds(const char *text);

#endif
