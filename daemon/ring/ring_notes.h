// SPDX-License-Identifier: Apache-2.0
/*
 * ring_notes.h - what a ring's segments hold beside samples: marks, and losses with their reasons.
 * Each part of a segment is read once, blocks by their headers only. Beside the writer; any thread.
 * A hint: behind a damaged chunk a segment is not read on, and what is in memory is not seen yet.
 */
#ifndef CRANKTRAP_RING_NOTES_H
#define CRANKTRAP_RING_NOTES_H

#include "chunk.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define RING_NOTE_TEXT       200               /* bytes of a reason, with its NUL */
#define RING_NOTES_BUDGET_NS INT64_C(20000000) /* what a look may take while somebody waits */

struct ring_notes;

/* Of the ring in `folder`, which need not be there yet; nothing is read. 0 or -ENOMEM. */
int ring_notes_new(const char *folder, struct ring_notes **notes);
void ring_notes_free(struct ring_notes *notes); /* takes NULL */

/*
 * Reads what has been written since, the newest segments first, for about `budget_ns` at most. True
 * where all is read by now.
 */
bool ring_notes_look(struct ring_notes *notes, int64_t budget_ns);

/*
 * Calls `take` with the JSON of each mark of the newest boot in [from_ns, to_ns], elapsed, in the
 * order of recording; `json` is NUL-terminated and valid until it returns. It must not call back.
 */
void ring_notes_marks(struct ring_notes *notes, int64_t from_ns, int64_t to_ns,
                      void (*take)(void *context, int64_t at_ns, const char *json), void *context);

/*
 * Why scans of a stream are missing between two moments of the newest boot; `unknown`: an unknown
 * number of them. False: nothing that was read says it, and `reason` is untouched.
 */
bool ring_notes_reason(struct ring_notes *notes, uint16_t stream, int64_t from_ns, int64_t to_ns,
                       bool unknown, char reason[RING_NOTE_TEXT]);

#endif
