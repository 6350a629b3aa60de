// SPDX-License-Identifier: Apache-2.0
/*
 * night_note.h - the durable note of when the present night began: night.json in the state folder.
 *
 * {"schema":"cranktrap.ready-night/1","since_s":1768433400,"elapsed_s":812.5}
 * `since_s` is the daemon's date in whole seconds since 1970, the same clock as in its snapshots.
 */
#ifndef CRANKTRAP_NIGHT_NOTE_H
#define CRANKTRAP_NIGHT_NOTE_H

#include <jansson.h>
#include <stdint.h>

/* The note's JSON: a new reference, or NULL without memory. */
json_t *night_note_json(int64_t wall_ns, int64_t elapsed_ns);

/*
 * Writes it into `folder` in place of an older one: whole and on disk, or the older one stays. 0,
 * or a negative errno. One caller at a time.
 */
int night_note_write(const char *folder, const json_t *note);

#endif
