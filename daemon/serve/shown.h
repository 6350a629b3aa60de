// SPDX-License-Identifier: Apache-2.0
/*
 * shown.h - the snapshots that somebody is looking at: each stays open, with a drawing of the whole
 * of it that is fine enough for most that is asked, so that a look closer does not decode it anew.
 * At most 3, of at most 12 MiB; one that nobody has asked for in a minute is closed, and so is one
 * whose file is gone. Any thread.
 */
#ifndef CRANKTRAP_SHOWN_H
#define CRANKTRAP_SHOWN_H

#include "drawing.h"
#include "playback.h"

#include <stddef.h>
#include <stdint.h>

struct shown;

/* A snapshot, lent: its record and its drawing are the caller's alone until it gives them back. */
struct shown_snapshot {
    struct playback *playback;
    struct drawing *fine;
};

/* With none open. 0 or -ENOMEM. */
int shown_new(struct shown **shown);
void shown_free(struct shown *shown); /* all given back; takes NULL */

/*
 * Opens the file, unless it is open; `print` tells one state of the file from another
 * (fingerprint.h). Waits while another thread has it. 0 or a negative errno of playback_open(),
 * whose sentence is in `why`.
 */
int shown_take(struct shown *shown, const char *path, uint64_t print,
               const struct shown_snapshot **snapshot, char *why, size_t why_size);
void shown_give_back(struct shown *shown, const struct shown_snapshot *snapshot);

/* From time to time: closes what nobody looks at any more. */
void shown_tidy(struct shown *shown);

#endif
