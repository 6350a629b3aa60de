// SPDX-License-Identifier: Apache-2.0
/*
 * ring_notes.c - from header to header through each segment, as far as it goes.
 */
#include "ring_notes.h"

#include "record.h"
#include "segments.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define NOTES_MAX 16384               /* further ones are left out */
#define BESIDE_NS INT64_C(1000000000) /* times of blocks and losses are estimates */

struct note {
    uint64_t segment, offset;
    bool mark, unknown;
    uint16_t stream;
    int64_t from_ns, to_ns;
    char *text;
};

/* How far a segment has been read. */
struct walk {
    uint64_t number, bytes, offset;
    uint64_t file; /* the number that its chunks bear */
    bool damaged;
    bool boot_known;
    uint8_t boot[16];
};

struct ring_notes {
    pthread_mutex_t lock;
    char *folder;
    struct walk *walk; /* in the order of their numbers */
    size_t walks;
    struct note *note; /* as they stand there, but while a look goes on */
    size_t notes, room;
    uint8_t *bytes; /* of one chunk */
    size_t bytes_room;
};

int ring_notes_new(const char *folder, struct ring_notes **notes) {
    struct ring_notes *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    pthread_mutex_init(&made->lock, NULL);
    made->folder = strdup(folder);
    if (!made->folder) {
        ring_notes_free(made);
        return -ENOMEM;
    }
    *notes = made;
    return 0;
}

void ring_notes_free(struct ring_notes *notes) {
    if (!notes)
        return;
    for (size_t i = 0; i < notes->notes; i++)
        free(notes->note[i].text);
    pthread_mutex_destroy(&notes->lock);
    free(notes->note);
    free(notes->walk);
    free(notes->bytes);
    free(notes->folder);
    free(notes);
}

static int64_t now_ns(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

/* ---- reading ---- */

static struct walk *walk_of(const struct ring_notes *notes, uint64_t number) {
    size_t low = 0;
    for (size_t high = notes->walks; low < high;) {
        size_t middle = low + (high - low) / 2;
        if (notes->walk[middle].number < number)
            low = middle + 1;
        else
            high = middle;
    }
    return low < notes->walks && notes->walk[low].number == number ? &notes->walk[low] : NULL;
}

static void drop_gone(struct ring_notes *notes) {
    size_t kept = 0;
    for (size_t i = 0; i < notes->notes; i++) {
        if (walk_of(notes, notes->note[i].segment))
            notes->note[kept++] = notes->note[i];
        else
            free(notes->note[i].text);
    }
    notes->notes = kept;
}

/* The segments there are now, each as far as it was read before. */
static int list_segments(struct ring_notes *notes) {
    struct segment *list = NULL;
    size_t count = 0;
    int error = segments_find(notes->folder, &list, &count);
    if (error)
        return error;
    struct walk *made = calloc(count + 1, sizeof *made);
    for (size_t i = 0; made && i < count; i++) {
        const struct walk *before = walk_of(notes, list[i].number);
        made[i] = before && before->offset <= list[i].bytes
                      ? *before
                      : (struct walk){.number = list[i].number};
        made[i].bytes = list[i].bytes;
    }
    free(list);
    if (!made)
        return -ENOMEM;
    free(notes->walk);
    notes->walk = made;
    notes->walks = count;
    drop_gone(notes);
    return 0;
}

static int by_place(const void *left, const void *right) {
    const struct note *a = left;
    const struct note *b = right;
    if (a->segment != b->segment)
        return a->segment < b->segment ? -1 : 1;
    return (a->offset > b->offset) - (a->offset < b->offset);
}

/* Where there are as many as may be, the oldest goes; false: this one is older than all. */
static bool make_room(struct ring_notes *notes, const struct note *note) {
    size_t oldest = 0;
    if (notes->notes < NOTES_MAX)
        return true;
    for (size_t i = 1; i < notes->notes; i++)
        if (by_place(&notes->note[i], &notes->note[oldest]) < 0)
            oldest = i;
    if (by_place(note, &notes->note[oldest]) < 0)
        return false;
    free(notes->note[oldest].text);
    notes->note[oldest] = notes->note[--notes->notes];
    return true;
}

static void add_note(struct ring_notes *notes, const struct note *note, const char *text,
                     size_t length) {
    if (!make_room(notes, note))
        return;
    if (notes->notes == notes->room) {
        size_t room = notes->room ? 2 * notes->room : 64;
        struct note *grown = reallocarray(notes->note, room, sizeof *grown);
        if (!grown)
            return;
        notes->note = grown;
        notes->room = room;
    }
    char *copy = strndup(text, length);
    if (!copy)
        return;
    notes->note[notes->notes] = *note;
    notes->note[notes->notes++].text = copy;
}

static void take_chunk(struct ring_notes *notes, struct walk *walk, const struct chunk *chunk) {
    struct chunk_clock clock;
    const char *text;
    size_t length;
    uint64_t scans;
    struct note note = {.segment = walk->number,
                        .offset = walk->offset,
                        .mark = chunk->type == CHUNK_MARK,
                        .stream = chunk->place.stream,
                        .from_ns = chunk->from_ns,
                        .to_ns = chunk->to_ns};
    if (chunk->type == CHUNK_CLOCK && chunk_parse_clock(chunk, &clock) == 0) {
        memcpy(walk->boot, clock.boot, sizeof walk->boot);
        walk->boot_known = true;
    } else if (note.mark && chunk_parse_text(chunk, &text, &length) == 0) {
        add_note(notes, &note, text, length);
    } else if (chunk->type == CHUNK_LOSS && chunk_parse_loss(chunk, &scans, &text, &length) == 0) {
        note.unknown = scans == RECORD_LOSS_UNKNOWN;
        add_note(notes, &note, text, length);
    }
}

/* The chunk at the walk's offset; false: there is no sound one, or not yet the whole of it. */
static bool step(struct ring_notes *notes, struct walk *walk, int file) {
    uint8_t header[CHUNK_HEADER_SIZE];
    size_t length;
    uint64_t number;
    struct chunk chunk;
    if (walk->offset + sizeof header > walk->bytes ||
        pread(file, header, sizeof header, (off_t)walk->offset) != (ssize_t)sizeof header)
        return false;
    if (!chunk_header(header, sizeof header, &length, &number) ||
        (walk->offset && number != walk->file)) {
        walk->damaged = true;
        return false;
    }
    if (walk->offset + length > walk->bytes)
        return false;
    enum chunk_type type = chunk_header_type(header);
    bool wanted = type == CHUNK_MARK || type == CHUNK_LOSS || type == CHUNK_CLOCK;
    if (wanted && segment_read_chunk(file, walk->offset, &notes->bytes, &notes->bytes_room, &chunk))
        take_chunk(notes, walk, &chunk);
    walk->file = number;
    walk->offset += length;
    return true;
}

/* Reads on in a segment; false: the time was over. */
static bool read_on(struct ring_notes *notes, struct walk *walk, int64_t until_ns) {
    if (walk->damaged || walk->offset == walk->bytes)
        return true;
    char *path = segment_path(notes->folder, walk->number);
    int file = path ? open(path, O_RDONLY | O_CLOEXEC) : -1;
    free(path);
    if (file < 0)
        return true; /* pruned meanwhile */
    bool in_time = true;
    while (in_time && step(notes, walk, file))
        in_time = now_ns() < until_ns;
    close(file);
    return in_time;
}

bool ring_notes_look(struct ring_notes *notes, int64_t budget_ns) {
    int64_t until_ns = now_ns() + budget_ns;
    pthread_mutex_lock(&notes->lock);
    bool whole = list_segments(notes) == 0;
    for (size_t i = notes->walks; whole && i-- > 0;)
        whole = read_on(notes, &notes->walk[i], until_ns);
    if (notes->notes)
        qsort(notes->note, notes->notes, sizeof *notes->note, by_place);
    pthread_mutex_unlock(&notes->lock);
    return whole;
}

/* ---- telling ---- */

static const struct walk *newest_boot(const struct ring_notes *notes) {
    for (size_t i = notes->walks; i-- > 0;)
        if (notes->walk[i].boot_known)
            return &notes->walk[i];
    return NULL;
}

static bool is_of(const struct ring_notes *notes, const struct note *note,
                  const struct walk *newest) {
    const struct walk *walk = walk_of(notes, note->segment);
    return newest && walk && walk->boot_known &&
           memcmp(walk->boot, newest->boot, sizeof walk->boot) == 0;
}

void ring_notes_marks(struct ring_notes *notes, int64_t from_ns, int64_t to_ns,
                      void (*take)(void *context, int64_t at_ns, const char *json), void *context) {
    pthread_mutex_lock(&notes->lock);
    const struct walk *newest = newest_boot(notes);
    for (size_t i = 0; i < notes->notes; i++) {
        const struct note *note = &notes->note[i];
        if (note->mark && note->from_ns >= from_ns && note->from_ns <= to_ns &&
            is_of(notes, note, newest))
            take(context, note->from_ns, note->text);
    }
    pthread_mutex_unlock(&notes->lock);
}

bool ring_notes_reason(struct ring_notes *notes, uint16_t stream, int64_t from_ns, int64_t to_ns,
                       bool unknown, char reason[RING_NOTE_TEXT]) {
    const struct note *found = NULL;
    pthread_mutex_lock(&notes->lock);
    const struct walk *newest = newest_boot(notes);
    for (size_t i = 0; i < notes->notes; i++) {
        const struct note *note = &notes->note[i];
        int64_t beside_ns = unknown ? BESIDE_NS : 0; /* it stands where the epoch ended */
        if (!note->mark && note->stream == stream && note->unknown == unknown &&
            note->from_ns <= to_ns + beside_ns && note->to_ns >= from_ns - beside_ns &&
            is_of(notes, note, newest))
            found = note;
    }
    if (found)
        (void)snprintf(reason, RING_NOTE_TEXT, "%s", found->text);
    pthread_mutex_unlock(&notes->lock);
    return found != NULL;
}
