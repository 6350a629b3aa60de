// SPDX-License-Identifier: Apache-2.0
/*
 * film_helper.h - container files made for a test, then played back.
 */
#ifndef CRANKTRAP_TESTS_FILM_HELPER_H
#define CRANKTRAP_TESTS_FILM_HELPER_H

#include "recording_helper.h"

#include "container.h"
#include "playback.h"

#define FILES_MAX 120

/* Files being made in a folder, then played. */
struct film {
    char *folder;
    size_t files;
    char path[FILES_MAX][128];
    struct container_writer *writer;
    struct playback *playback;
};

struct film new_film(void);

/* Ends the file properly and begins another with this head; NULL: none. */
void cut_to(struct film *film, const char *head);

/* The same with recording_head(). */
void next_file(struct film *film);

/* Appends the chunk and frees it. */
void add(struct film *film, struct chunk chunk);

/* Both streams' clocks at scan 0 of an epoch. */
void add_clocks(struct film *film, uint32_t epoch, int64_t elapsed_ns);

/* Second `second` of both streams. */
void add_second(struct film *film, uint32_t epoch, uint64_t second);

/* Opens all files together; fails the test where it cannot. */
const struct record *play(struct film *film);

void end_film(struct film *film);

#endif
