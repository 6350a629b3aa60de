// SPDX-License-Identifier: Apache-2.0
/*
 * stream_helper.h - a stream driver under test, and all it tells, written down as text:
 *     "described;" "1,2,3;" (a scan) "lost 4 packet lost;" "lost ? board restarted;"
 * ("alive" notes are counted, not written.)
 */
#ifndef CRANKTRAP_STREAM_HELPER_H
#define CRANKTRAP_STREAM_HELPER_H

#include "board.h"

#include <stddef.h>
#include <stdint.h>

#define STREAM_SETTINGS_MAX 8

struct stream {
    const struct board_driver *driver;
    struct board *board;
    struct board_description description; /* the latest, once described */
    size_t scans, lost, unknown, alive, described;
    unsigned results[BOARD_RESULTS];
    size_t used;
    char told[1u << 20];
};

/* Opens `driver` with "name=value" words, NULL at the end, and starts it. Static; one at a time. */
struct stream *stream_open(const struct board_driver *driver, ...);

/* Consumes bytes, at once or in pieces of `piece` bytes. Returns the worst result. */
enum board_result stream_bytes(struct stream *stream, const uint8_t *bytes, size_t count);
enum board_result stream_pieces(struct stream *stream, const uint8_t *bytes, size_t count,
                                size_t piece);
enum board_result stream_text(struct stream *stream, const char *text);

/* Forgets what was told so far. */
void stream_forget(struct stream *stream);

void stream_close(struct stream *stream);

/* The bytes of "```wire NAME" in docs/wire.md; fails the test where there are none. */
size_t stream_example(const char *name, uint8_t *bytes, size_t size);

#endif
