// SPDX-License-Identifier: Apache-2.0
/*
 * marks.h - the marks that the daemon set since its start, the latest 1024 of them: for whoever
 * draws the night. In the ring they are for ever. Any thread.
 */
#ifndef CRANKTRAP_MARKS_H
#define CRANKTRAP_MARKS_H

#include <jansson.h>
#include <stdint.h>

struct marks;

/* 0 or a negative errno. */
int marks_new(struct marks **marks);
void marks_free(struct marks *marks); /* takes NULL */

/* `name` of a trigger, "manual", "note" or "clock"; `text` may be NULL; `snapshot` 0: none. Both
 * are copied, cut to 40 and 240 bytes. */
void marks_add(struct marks *marks, int64_t at_ns, const char *name, const char *text,
               unsigned snapshot);

/* Those between two elapsed seconds: [{at_s, name, text, snapshot}]. A new reference. */
json_t *marks_between(struct marks *marks, double from_s, double to_s);

#endif
