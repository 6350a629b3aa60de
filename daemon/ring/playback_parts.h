// SPDX-License-Identifier: Apache-2.0
/*
 * playback_parts.h - what playback.c is made of: chunks gathered from files, put in order, and the
 * losses between them.
 */
#ifndef CRANKTRAP_PLAYBACK_PARTS_H
#define CRANKTRAP_PLAYBACK_PARTS_H

#include "container.h"
#include "head.h"
#include "record.h"
#include "timeline.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define HEAD_NONE ((size_t)-1)

/* A file. */
struct source {
    struct container_reader *reader;
    const struct container_entry *entries;
    size_t count;
    bool boot_known; /* by its last clock: what its marks' times count from */
    uint8_t boot[16];
};

/* A block, or what of it no other block holds. */
struct piece {
    uint32_t source, entry;
    uint16_t stream;
    bool after_loss;
    bool after_unknown; /* a loss of unknown size is known to stand before it */
    uint32_t epoch;
    uint32_t skip, scans; /* scans of the block passed over; scans left */
    uint64_t first_scan;  /* of what is left */
    size_t head;          /* in gathered.head_text: under which it was recorded */
    int64_t begin_ns, end_ns;
};

/* A LOSS chunk. `scans` may be RECORD_LOSS_UNKNOWN. */
struct lost {
    uint16_t stream;
    uint32_t epoch;
    uint64_t first_scan, scans;
    const char *reason;
    size_t head;
};

/* A MARK chunk. */
struct noted {
    int64_t at_ns; /* elapsed time of its boot; later on the axis */
    uint32_t source;
    char *json;
};

/* A text that several chunks share. */
struct head_text {
    char *json;
    size_t length;
};
struct reason {
    struct reason *next;
    char text[];
};

struct gathered {
    size_t sources;
    struct source *source;
    size_t pieces, piece_room;
    struct piece *piece; /* by stream, epoch, scan; none twice */
    size_t losts, lost_room;
    struct lost *lost; /* by stream, epoch, scan */
    size_t marks, mark_room;
    struct noted *mark; /* by time */
    size_t heads, head_room;
    struct head_text *head_text; /* the different ones */
    size_t reasons;
    struct reason *reason;
    bool any_clock;
    struct timeline *timeline;
    struct head *head; /* that of the last head chunk that can be read */
};

/* Opens the files and gathers all of the above. Errors as playback_open; gathered_done anyway. */
int gather(struct gathered *gathered, const char *const *paths, size_t count, char *why,
           size_t why_size);

/* Steps of gather(): chooses the head and drops what it does not explain; */
int keep_what_head_explains(struct gathered *gathered, char *why, size_t why_size);
/* sorts, drops what is there twice, gives each piece and mark its time. */
int order_and_place(struct gathered *gathered);

/* Frees what it holds. */
void gathered_done(struct gathered *gathered);

/* A loss with its place on the axis. */
struct placed_loss {
    size_t stream;
    int64_t from_ns, to_ns;
    uint64_t scans;
    const char *reason;
};

struct placed_losses {
    size_t count, room;
    struct placed_loss *loss; /* by time */
};

/* Adds one at the end; placed_losses_sort() before use. 0 or -ENOMEM. */
int placed_losses_add(struct placed_losses *losses, const struct placed_loss *loss);
void placed_losses_sort(struct placed_losses *losses);

/* All losses of what was gathered; sets the pieces' after_loss. 0 or -ENOMEM. */
int find_losses(struct gathered *gathered, struct placed_losses *losses);

#endif
