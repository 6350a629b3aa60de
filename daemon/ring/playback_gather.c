// SPDX-License-Identifier: Apache-2.0
/*
 * playback_gather.c - opens files and collects their chunks.
 */
#include "playback_parts.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define REASONS_MAX  64 /* different ones in one record; honest files have a handful */
#define REASON_CHARS 100
#define SCAN_LIMIT   (UINT64_C(1) << 62) /* no board has lived that long: sums cannot overflow */

/* The list with room for one more element, maybe elsewhere; NULL without memory: it stays then. */
static void *grown(void *list, size_t count, size_t *room, size_t size) {
    if (count < *room)
        return list;
    size_t wanted = *room ? 2 * *room : 64;
    void *more = reallocarray(list, wanted, size);
    if (more)
        *room = wanted;
    return more;
}

/* ---- chunks, one type after the other ---- */

/* The plain phrase of a LOSS chunk, kept once. Printable ASCII: it ends in reports and JSON. */
static const char *keep_reason(struct gathered *gathered, const char *text, size_t length) {
    char plain[REASON_CHARS + 1];
    length = length > REASON_CHARS ? REASON_CHARS : length;
    for (size_t i = 0; i < length; i++)
        plain[i] = text[i] >= ' ' && text[i] <= '~' ? text[i] : '?';
    plain[length] = '\0';
    for (const struct reason *known = gathered->reason; known; known = known->next)
        if (strcmp(known->text, plain) == 0)
            return known->text;
    struct reason *made = NULL;
    if (gathered->reasons < REASONS_MAX)
        made = malloc(sizeof *made + length + 1);
    if (!made)
        return "not recorded";
    memcpy(made->text, plain, length + 1);
    made->next = gathered->reason;
    gathered->reason = made;
    gathered->reasons++;
    return made->text;
}

static int add_loss(struct gathered *gathered, const struct chunk *chunk, size_t head) {
    uint64_t scans;
    const char *reason;
    size_t length;
    if (chunk_parse_loss(chunk, &scans, &reason, &length) < 0 || scans == 0 ||
        chunk->place.first_scan > SCAN_LIMIT)
        return 0;
    struct lost *list = grown(gathered->lost, gathered->losts, &gathered->lost_room, sizeof *list);
    if (!list)
        return -ENOMEM;
    gathered->lost = list;
    gathered->lost[gathered->losts++] =
        (struct lost){.stream = chunk->place.stream,
                      .epoch = chunk->place.epoch,
                      .first_scan = chunk->place.first_scan,
                      .scans = scans > SCAN_LIMIT ? RECORD_LOSS_UNKNOWN : scans,
                      .reason = keep_reason(gathered, reason, length),
                      .head = head};
    return 0;
}

static int add_clock(struct gathered *gathered, const struct chunk *chunk, struct source *source) {
    struct chunk_clock clock;
    if (chunk_parse_clock(chunk, &clock) < 0 || clock.place.first_scan > SCAN_LIMIT)
        return 0;
    memcpy(source->boot, clock.boot, sizeof source->boot);
    source->boot_known = true;
    gathered->any_clock = true;
    return timeline_add(gathered->timeline, &clock);
}

static int add_mark(struct gathered *gathered, const struct chunk *chunk, size_t source) {
    const char *json;
    size_t length;
    if (chunk_parse_text(chunk, &json, &length) < 0)
        return 0;
    struct noted *list = grown(gathered->mark, gathered->marks, &gathered->mark_room, sizeof *list);
    if (!list)
        return -ENOMEM;
    gathered->mark = list;
    char *copy = strndup(json, length);
    if (!copy)
        return -ENOMEM;
    gathered->mark[gathered->marks++] =
        (struct noted){.at_ns = chunk->from_ns, .source = (uint32_t)source, .json = copy};
    return 0;
}

/* Index of the head's text among the different ones; each segment repeats the same. */
static int add_head(struct gathered *gathered, const struct chunk *chunk, size_t *head) {
    const char *json;
    size_t length;
    if (chunk_parse_text(chunk, &json, &length) < 0)
        return 0;
    for (size_t i = gathered->heads; i-- > 0;) {
        if (gathered->head_text[i].length == length &&
            memcmp(gathered->head_text[i].json, json, length) == 0) {
            *head = i;
            return 0;
        }
    }
    struct head_text *list =
        grown(gathered->head_text, gathered->heads, &gathered->head_room, sizeof *list);
    if (!list)
        return -ENOMEM;
    gathered->head_text = list;
    char *copy = malloc(length + 1);
    if (!copy)
        return -ENOMEM;
    memcpy(copy, json, length);
    *head = gathered->heads;
    gathered->head_text[gathered->heads++] = (struct head_text){.json = copy, .length = length};
    return 0;
}

static int add_block(struct gathered *gathered, const struct container_entry *entry, size_t source,
                     size_t index, size_t head) {
    if (entry->scans == 0 || entry->place.first_scan > SCAN_LIMIT)
        return 0;
    struct piece *list =
        grown(gathered->piece, gathered->pieces, &gathered->piece_room, sizeof *list);
    if (!list)
        return -ENOMEM;
    gathered->piece = list;
    gathered->piece[gathered->pieces++] = (struct piece){.source = (uint32_t)source,
                                                         .entry = (uint32_t)index,
                                                         .stream = entry->place.stream,
                                                         .epoch = entry->place.epoch,
                                                         .scans = entry->scans,
                                                         .first_scan = entry->place.first_scan,
                                                         .head = head};
    return 0;
}

/* ---- files ---- */

static int gather_entry(struct gathered *gathered, size_t source, size_t index, size_t *head) {
    struct source *from = &gathered->source[source];
    const struct container_entry *entry = &from->entries[index];
    if (entry->type == CHUNK_BLOCK)
        return add_block(gathered, entry, source, index, *head);
    if (entry->type != CHUNK_HEAD && entry->type != CHUNK_LOSS && entry->type != CHUNK_CLOCK &&
        entry->type != CHUNK_MARK)
        return 0;
    struct chunk chunk = {0};
    int error = container_read(from->reader, index, &chunk);
    if (error == -EBADMSG)
        return 0; /* changed since it was scanned: as if it had been damaged then */
    if (error)
        return error;
    if (entry->type == CHUNK_HEAD)
        error = add_head(gathered, &chunk, head);
    else if (entry->type == CHUNK_LOSS)
        error = add_loss(gathered, &chunk, *head);
    else if (entry->type == CHUNK_CLOCK)
        error = add_clock(gathered, &chunk, from);
    else
        error = add_mark(gathered, &chunk, source);
    chunk_done(&chunk);
    return error;
}

/* `*head`: the last one of the file before; what stands before the file's first head is under it
 * only where the file has none. */
static int gather_source(struct gathered *gathered, size_t source, size_t *head) {
    size_t piece = gathered->pieces, lost = gathered->losts;
    size_t current = HEAD_NONE, first = HEAD_NONE;
    for (size_t i = 0; i < gathered->source[source].count; i++) {
        int error = gather_entry(gathered, source, i, &current);
        if (error)
            return error;
        if (first == HEAD_NONE)
            first = current;
    }
    if (first == HEAD_NONE)
        first = *head;
    for (; piece < gathered->pieces; piece++)
        if (gathered->piece[piece].head == HEAD_NONE)
            gathered->piece[piece].head = first;
    for (; lost < gathered->losts; lost++)
        if (gathered->lost[lost].head == HEAD_NONE)
            gathered->lost[lost].head = first;
    if (current != HEAD_NONE)
        *head = current;
    return 0;
}

static int say_why(int error, const char *path, char *why, size_t why_size) {
    if (!why_size)
        return error;
    const char *text = error == -EMEDIUMTYPE ? "is no file of cranktrap's"
                       : error == -EPROTO    ? container_why_foreign(path)
                                             : strerror(-error);
    bool sentence = error == -EMEDIUMTYPE || error == -EPROTO;
    snprintf(why, why_size, "%s%s %s", path, sentence ? "" : ":", text);
    return error;
}

/*
 * One file must be readable. Of several, one that has gone meanwhile (pruned) or holds nothing yet
 * is passed over as long as there is another.
 */
static int open_sources(struct gathered *gathered, const char *const *paths, size_t count,
                        char *why, size_t why_size) {
    gathered->source = calloc(count ? count : 1, sizeof *gathered->source);
    if (!gathered->source)
        return -ENOMEM;
    int passed_over = 0;
    for (size_t i = 0; i < count; i++) {
        struct source *source = &gathered->source[gathered->sources];
        int error = container_open(paths[i], &source->reader);
        if (error == -ENOENT || error == -EMEDIUMTYPE) {
            if (!passed_over)
                passed_over = say_why(error, paths[i], why, why_size);
            continue;
        }
        if (error)
            return say_why(error, paths[i], why, why_size);
        source->count = container_entries(source->reader, &source->entries);
        gathered->sources++;
    }
    if (!gathered->sources)
        return passed_over ? passed_over : -ENODATA;
    if (why_size)
        why[0] = '\0';
    return 0;
}

/* ---- the whole ---- */

static int gather_all(struct gathered *gathered) {
    size_t head = HEAD_NONE;
    int error = timeline_new(&gathered->timeline);
    for (size_t i = 0; !error && i < gathered->sources; i++)
        error = gather_source(gathered, i, &head);
    return error;
}

int gather(struct gathered *gathered, const char *const *paths, size_t count, char *why,
           size_t why_size) {
    int error = open_sources(gathered, paths, count, why, why_size);
    if (!error)
        error = gather_all(gathered);
    if (error)
        return error;
    error = keep_what_head_explains(gathered, why, why_size);
    if (error)
        return error;
    if (!gathered->pieces) {
        if (why_size)
            snprintf(why, why_size, "no block of samples is in the file");
        return -ENODATA;
    }
    return order_and_place(gathered);
}

void gathered_done(struct gathered *gathered) {
    for (size_t i = 0; i < gathered->sources; i++)
        container_reader_free(gathered->source[i].reader);
    for (size_t i = 0; i < gathered->marks; i++)
        free(gathered->mark[i].json);
    for (size_t i = 0; i < gathered->heads; i++)
        free(gathered->head_text[i].json);
    while (gathered->reason) {
        struct reason *next = gathered->reason->next;
        free(gathered->reason);
        gathered->reason = next;
    }
    free(gathered->source);
    free(gathered->piece);
    free(gathered->lost);
    free(gathered->mark);
    free(gathered->head_text);
    head_free(gathered->head);
    timeline_free(gathered->timeline);
    *gathered = (struct gathered){0};
}
