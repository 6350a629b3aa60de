// SPDX-License-Identifier: Apache-2.0
/*
 * head.h - the JSON head of a container: which boards, inputs and scales; the hookup; who wrote it.
 *
 * The hookup's own text is carried whole, so that a file explains itself and is read by the same
 * parser; streams, inputs and scales stand beside it resolved, for readers in other languages.
 * The keys are in docs/format.md.
 */
#ifndef CRANKTRAP_HEAD_H
#define CRANKTRAP_HEAD_H

#include "board.h"
#include "hookup.h"

#define HEAD_FORMAT "cranktrap.head/1"

struct head_stream {
    const char *name;   /* of the board */
    const char *driver; /* "import" for an imported file */
    double rate_hz;     /* as claimed */
    struct board_description description;
    bool described; /* false: the board has not been seen yet */
};

struct head {
    size_t stream_count;
    struct head_stream *streams;
    struct hookup *hookup; /* fitted to the streams; owned by the head */
    char *software;        /* "cranktrap 0.1.0" */
};

/*
 * Makes the JSON text (free it). Stream i is board i of the hookup; an imported file has one
 * stream. Text that is not UTF-8 is taken for Latin-1. 0 or -ENOMEM.
 */
int head_format(const struct hookup *hookup, size_t stream_count, const struct head_stream *streams,
                char **json);

/*
 * Parses; trusts nothing. 0, -ENOMEM, or -EBADMSG with a sentence in `why` (may be NULL, size 0).
 * A stream's name and driver belong to the head. `*head` is untouched on failure.
 */
int head_parse(const char *json, size_t length, struct head **head, char *why, size_t why_size);

/* Frees; takes NULL. */
void head_free(struct head *head);

#endif
