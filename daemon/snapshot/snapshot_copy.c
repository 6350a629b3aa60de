// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_copy.c - which chunks belong to a stretch, and writing them.
 */
#include "snapshot_copy.h"

#include "container.h"
#include "snapshot_folder.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* A place in one stream: epochs rise, and scans within an epoch. */
struct position {
    uint32_t epoch;
    uint64_t scan;
};

/* What is known of one stream so far. */
struct lane {
    bool is_known; /* an epoch has been seen */
    uint32_t epoch;
    bool is_foreign;      /* that epoch is of another boot: its times mean nothing here */
    bool has_begun;       /* a block of it is in the file */
    bool has_passed;      /* a block beyond the stretch was seen */
    struct position next; /* where the blocks in the file end */
    bool has_loss;        /* a loss of it is in the file, the last one at */
    struct position loss;
    bool has_clock; /* a clock of it is in the file, up to */
    struct position clock;
    struct chunk pending; /* a clock to write before the next block; no bytes: none */
};

struct snapshot_copy {
    char *folder;
    char *part, *path;
    struct snapshot_note note;
    struct container_writer *writer; /* NULL: not begun, or finished */
    bool has_part;                   /* a file to remove */
    char *head, *written_head;
    bool is_foreign; /* the latest clock of any stream was of another boot */
    bool passed;     /* something beyond the stretch was passed over */
    int64_t newest_ns;
    struct lane *lanes;
    size_t lane_count;
    uint64_t *marks; /* sums of the marks in the file */
    size_t mark_count;
};

/* ---- making ---- */

int snapshot_copy_new(const char *folder, const struct snapshot_note *note,
                      struct snapshot_copy **copy) {
    struct snapshot_copy *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->folder = strdup(folder);
    made->part = snapshot_folder_path(folder, note->number, SNAPSHOT_PART);
    made->path = snapshot_folder_path(folder, note->number, SNAPSHOT_SUFFIX);
    made->newest_ns = INT64_MIN;
    int error = snapshot_note_copy(note, &made->note);
    if (!error && (!made->folder || !made->part || !made->path))
        error = -ENOMEM;
    if (error) {
        snapshot_copy_free(made);
        return error;
    }
    made->note.cut_short = true; /* until it is finished */
    *copy = made;
    return 0;
}

void snapshot_copy_free(struct snapshot_copy *copy) {
    if (!copy)
        return;
    container_close(copy->writer, false);
    if (copy->has_part && copy->part)
        unlink(copy->part);
    for (size_t i = 0; i < copy->lane_count; i++)
        chunk_done(&copy->lanes[i].pending);
    free(copy->lanes);
    free(copy->marks);
    free(copy->head);
    free(copy->written_head);
    snapshot_note_done(&copy->note);
    free(copy->folder);
    free(copy->part);
    free(copy->path);
    free(copy);
}

/* ---- writing ---- */

static int write_note(struct snapshot_copy *copy) {
    struct chunk chunk = {0};
    int error = snapshot_note_chunk(&copy->note, &chunk);
    if (!error)
        error = container_append(copy->writer, &chunk);
    chunk_done(&chunk);
    return error;
}

static int begin_file(struct snapshot_copy *copy) {
    unlink(copy->part); /* of the same number: an attempt at this very snapshot */
    int error = container_create(copy->part, copy->head, &copy->writer);
    copy->has_part = error != -EEXIST;
    return error ? error : write_note(copy);
}

/* The file exists, and the head in it is that of what comes next. */
static int write_head(struct snapshot_copy *copy) {
    if (!copy->head)
        return -ENOMSG;
    if (copy->written_head && strcmp(copy->head, copy->written_head) == 0)
        return 0;
    char *written = strdup(copy->head);
    if (!written)
        return -ENOMEM;
    int error = 0;
    if (!copy->writer) {
        error = begin_file(copy);
    } else {
        struct chunk chunk = {0};
        error = chunk_text(&chunk, CHUNK_HEAD, copy->head, 0);
        if (!error)
            error = container_append(copy->writer, &chunk);
        chunk_done(&chunk);
    }
    free(copy->written_head);
    copy->written_head = written;
    return error;
}

static int append(struct snapshot_copy *copy, const struct chunk *chunk) {
    int error = write_head(copy);
    return error ? error : container_append(copy->writer, chunk);
}

/* ---- choosing ---- */

static bool is_before(struct position a, struct position b) {
    return a.epoch < b.epoch || (a.epoch == b.epoch && a.scan < b.scan);
}

static struct position begin_of(const struct chunk *chunk) {
    return (struct position){.epoch = chunk->place.epoch, .scan = chunk->place.first_scan};
}

static bool is_in_stretch(const struct snapshot_copy *copy, const struct chunk *chunk) {
    return chunk->from_ns <= copy->note.to_ns && chunk->to_ns >= copy->note.from_ns;
}

static struct lane *lane_of(struct snapshot_copy *copy, uint16_t stream) {
    if (stream >= copy->lane_count) {
        size_t count = (size_t)stream + 1;
        struct lane *more = reallocarray(copy->lanes, count, sizeof *more);
        if (!more)
            return NULL;
        memset(more + copy->lane_count, 0, (count - copy->lane_count) * sizeof *more);
        copy->lanes = more;
        copy->lane_count = count;
    }
    return &copy->lanes[stream];
}

static void enter_epoch(struct lane *lane, uint32_t epoch) {
    if (lane->is_known && lane->epoch == epoch)
        return;
    lane->is_known = true;
    lane->epoch = epoch;
    lane->is_foreign = false;
    chunk_done(&lane->pending);
}

static int take_head(struct snapshot_copy *copy, const struct chunk *chunk) {
    const char *json = NULL;
    size_t length = 0;
    int error = chunk_parse_text(chunk, &json, &length);
    if (error)
        return 0; /* unreadable: the one before goes on to hold */
    char *head = strndup(json, length);
    if (!head)
        return -ENOMEM;
    free(copy->head);
    copy->head = head;
    return 0;
}

static int write_clock(struct snapshot_copy *copy, struct lane *lane, const struct chunk *chunk) {
    lane->has_clock = true;
    lane->clock = begin_of(chunk);
    return append(copy, chunk);
}

static int keep_clock(struct lane *lane, const struct chunk *chunk) {
    uint8_t *bytes = malloc(chunk->length);
    if (!bytes)
        return -ENOMEM;
    memcpy(bytes, chunk->bytes, chunk->length);
    chunk_done(&lane->pending);
    lane->pending = *chunk;
    lane->pending.bytes = bytes;
    return 0;
}

static int take_clock(struct snapshot_copy *copy, const struct chunk *chunk) {
    struct chunk_clock clock;
    struct lane *lane = lane_of(copy, chunk->place.stream);
    if (!lane)
        return -ENOMEM;
    if (chunk_parse_clock(chunk, &clock) < 0)
        return 0;
    enter_epoch(lane, chunk->place.epoch);
    lane->is_foreign = memcmp(clock.boot, copy->note.boot, sizeof clock.boot) != 0;
    copy->is_foreign = lane->is_foreign;
    bool is_old = lane->has_clock && !is_before(lane->clock, begin_of(chunk));
    if (lane->is_foreign || is_old)
        return 0;
    if (lane->has_begun && lane->next.epoch == lane->epoch && is_in_stretch(copy, chunk))
        return write_clock(copy, lane, chunk);
    return keep_clock(lane, chunk);
}

static int take_block(struct snapshot_copy *copy, const struct chunk *chunk) {
    struct lane *lane = lane_of(copy, chunk->place.stream);
    if (!lane)
        return -ENOMEM;
    enter_epoch(lane, chunk->place.epoch);
    if (lane->is_foreign)
        return 0;
    if (chunk->from_ns > copy->note.to_ns) {
        lane->has_passed = true;
        copy->passed = true;
    }
    bool is_written = lane->has_begun && is_before(begin_of(chunk), lane->next);
    if (is_written || !is_in_stretch(copy, chunk))
        return 0;
    if (lane->pending.bytes) {
        int error = write_clock(copy, lane, &lane->pending);
        chunk_done(&lane->pending);
        if (error)
            return error;
    }
    lane->has_begun = true;
    lane->next = begin_of(chunk);
    lane->next.scan += chunk->scans;
    if (chunk->to_ns > copy->newest_ns)
        copy->newest_ns = chunk->to_ns;
    return append(copy, chunk);
}

/* A loss has no samples to tell its time by; it lies between two blocks of its stream. */
static int take_loss(struct snapshot_copy *copy, const struct chunk *chunk) {
    uint64_t scans = 0;
    const char *reason = NULL;
    size_t reason_length = 0;
    struct lane *lane = lane_of(copy, chunk->place.stream);
    if (!lane)
        return -ENOMEM;
    if (chunk_parse_loss(chunk, &scans, &reason, &reason_length) < 0)
        return 0;
    enter_epoch(lane, chunk->place.epoch);
    bool is_timed = chunk->from_ns != 0 || chunk->to_ns != 0;
    bool is_within = is_timed ? is_in_stretch(copy, chunk) : lane->has_begun && !lane->has_passed;
    bool is_written = (lane->has_begun && is_before(begin_of(chunk), lane->next)) ||
                      (lane->has_loss && !is_before(lane->loss, begin_of(chunk)));
    if (lane->is_foreign || !is_within || is_written)
        return 0;
    lane->has_loss = true;
    lane->loss = begin_of(chunk);
    return append(copy, chunk);
}

/* A sum to know a mark again by (FNV-1a, 64 bits). */
static uint64_t sum_of(const char *text, size_t length, int64_t at_ns) {
    uint64_t sum = 0xcbf29ce484222325u ^ (uint64_t)at_ns;
    for (size_t i = 0; i < length; i++)
        sum = (sum ^ (unsigned char)text[i]) * 0x100000001b3u;
    return sum;
}

static int take_mark(struct snapshot_copy *copy, const struct chunk *chunk) {
    const char *json = NULL;
    size_t length = 0;
    struct snapshot_note note;
    if (copy->is_foreign || chunk_parse_text(chunk, &json, &length) < 0)
        return 0;
    if (chunk->from_ns > copy->note.to_ns)
        copy->passed = true;
    if (!is_in_stretch(copy, chunk))
        return 0;
    if (snapshot_note_parse(chunk, &note) == 0) { /* of an unfinished file that is taken over */
        snapshot_note_done(&note);
        return 0;
    }
    uint64_t sum = sum_of(json, length, chunk->from_ns);
    for (size_t i = 0; i < copy->mark_count; i++) {
        if (copy->marks[i] == sum)
            return 0;
    }
    uint64_t *more = reallocarray(copy->marks, copy->mark_count + 1, sizeof *more);
    if (!more)
        return -ENOMEM;
    copy->marks = more;
    copy->marks[copy->mark_count++] = sum;
    /* A mark needs no head: of a moment before the hookup changed, it would bring that of now. */
    return copy->writer ? container_append(copy->writer, chunk) : append(copy, chunk);
}

int snapshot_copy_take(struct snapshot_copy *copy, const struct chunk *chunk) {
    switch (chunk->type) {
    case CHUNK_HEAD:
        return take_head(copy, chunk);
    case CHUNK_BLOCK:
        return take_block(copy, chunk);
    case CHUNK_LOSS:
        return take_loss(copy, chunk);
    case CHUNK_CLOCK:
        return take_clock(copy, chunk);
    case CHUNK_MARK:
        return take_mark(copy, chunk);
    case CHUNK_SUMMARY: /* of a grid wider than the stretch */
    case CHUNK_INDEX:   /* of another file */
    case CHUNK_END:
        break;
    }
    return 0;
}

int snapshot_copy_lengthen(struct snapshot_copy *copy, int64_t to_ns) {
    if (to_ns <= copy->note.to_ns)
        return 0;
    if (copy->passed)
        return -ESTALE;
    copy->note.to_ns = to_ns;
    return copy->writer ? write_note(copy) : 0;
}

int64_t snapshot_copy_newest(const struct snapshot_copy *copy) {
    return copy->newest_ns;
}

int snapshot_copy_finish(struct snapshot_copy *copy, bool cut_short) {
    if (copy->newest_ns == INT64_MIN)
        return -ENODATA;
    copy->note.cut_short = cut_short;
    int error = write_note(copy);
    if (error)
        return error;
    error = container_close(copy->writer, true);
    copy->writer = NULL;
    if (!error && rename(copy->part, copy->path) < 0)
        error = -errno;
    if (error)
        return error;
    copy->has_part = false;
    return snapshot_folder_sync(copy->folder);
}
