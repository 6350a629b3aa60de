// SPDX-License-Identifier: Apache-2.0
/*
 * remark.h - what a person has said of a snapshot: reviewed, to be held, good, a note.
 *
 * Beside the snapshot, as NNNN.note: {"reviewed":true,"hold":false,"good":false,"text":"..."}; the
 * snapshot's file stays as it was saved. Any thread; the last of two that write at once holds.
 */
#ifndef CRANKTRAP_REMARK_H
#define CRANKTRAP_REMARK_H

#include <stdbool.h>

#define REMARK_TEXT 1000 /* bytes of a note, with its end */

struct remark {
    bool reviewed; /* somebody has looked at it */
    bool hold;     /* it must not go */
    bool good;     /* a start to compare others with: must not go either */
    char text[REMARK_TEXT];
};

/*
 * Reads what was said of snapshot `number` of a folder; nothing was: all false, no text. 0,
 * -EBADMSG where the file is none of ours, or another negative errno.
 */
int remark_read(const char *folder, unsigned number, struct remark *remark);

/* What changes: 1 it is so now, 0 it is not so any more, -1 as it was. */
struct remark_change {
    int reviewed, hold, good;
    const char *text; /* NULL: as it was; "": none */
};

/*
 * Changes it durably. 0; -ENOENT where there is no such snapshot; -EILSEQ a text that is not UTF-8,
 * -E2BIG one that is too long; or another negative errno.
 */
int remark_change(const char *folder, unsigned number, const struct remark_change *change);

#endif
