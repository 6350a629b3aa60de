// SPDX-License-Identifier: Apache-2.0
/*
 * playback_order.c - the gathered chunks in order, each scan once, each with its time.
 */
#include "playback_parts.h"

#include <stdlib.h>
#include <string.h>

static int compare_u64(uint64_t a, uint64_t b) {
    return (a > b) - (a < b);
}

static int by_scan(const void *a, const void *b) {
    const struct piece *left = a, *right = b;
    int order = compare_u64(left->stream, right->stream);
    if (!order)
        order = compare_u64(left->epoch, right->epoch);
    if (!order)
        order = compare_u64(left->first_scan, right->first_scan);
    if (!order)
        order = compare_u64(right->scans, left->scans); /* the longest first */
    return order;
}

static int by_lost_scan(const void *a, const void *b) {
    const struct lost *left = a, *right = b;
    int order = compare_u64(left->stream, right->stream);
    if (!order)
        order = compare_u64(left->epoch, right->epoch);
    if (!order)
        order = compare_u64(left->first_scan, right->first_scan);
    if (!order)
        order = compare_u64(right->scans, left->scans);
    return order;
}

/* Files may overlap: each scan stays once, and each LOSS. */
static void drop_repeated(struct gathered *gathered) {
    size_t kept = 0;
    for (size_t i = 0; i < gathered->pieces; i++) {
        struct piece piece = gathered->piece[i];
        const struct piece *before = kept ? &gathered->piece[kept - 1] : NULL;
        if (before && before->stream == piece.stream && before->epoch == piece.epoch) {
            uint64_t end = before->first_scan + before->scans;
            if (piece.first_scan + piece.scans <= end)
                continue;
            if (piece.first_scan < end) {
                piece.skip = (uint32_t)(end - piece.first_scan);
                piece.scans -= piece.skip;
                piece.first_scan = end;
            }
        }
        gathered->piece[kept++] = piece;
    }
    gathered->pieces = kept;
    kept = 0;
    for (size_t i = 0; i < gathered->losts; i++)
        if (!kept || by_lost_scan(&gathered->lost[kept - 1], &gathered->lost[i]) != 0)
            gathered->lost[kept++] = gathered->lost[i];
    gathered->losts = kept;
}

/* ---- times ---- */

static bool begins_epoch(const struct gathered *gathered, size_t index) {
    const struct piece *piece = &gathered->piece[index];
    return index == 0 || piece[-1].stream != piece->stream || piece[-1].epoch != piece->epoch;
}

/* An epoch whose clocks are all lost: the times its blocks were given when they were made. */
static int guess_clocks(struct gathered *gathered) {
    int error = 0;
    for (size_t i = 0; !error && i < gathered->pieces; i++) {
        const struct piece *piece = &gathered->piece[i];
        if (!begins_epoch(gathered, i))
            continue;
        const struct source *source = &gathered->source[piece->source];
        const struct container_entry *entry = &source->entries[piece->entry];
        double took_ns = (double)entry->to_ns - (double)entry->from_ns;
        double rate = gathered->head->streams[piece->stream].rate_hz;
        if (!(rate > 0))
            rate = took_ns > 0 ? entry->scans * 1e9 / took_ns : 1;
        struct chunk_clock guess = {
            .place = entry->place, .elapsed_ns = entry->from_ns, .rate_hz = rate};
        memcpy(guess.boot, source->boot, sizeof guess.boot);
        error = timeline_guess(gathered->timeline, &guess);
    }
    return error;
}

static void place_pieces(struct gathered *gathered) {
    struct timeline *timeline = gathered->timeline;
    for (size_t i = 0; i < gathered->pieces; i++) {
        const struct piece *piece = &gathered->piece[i];
        size_t epoch = timeline_epoch(timeline, piece->stream, piece->epoch);
        timeline_extend(timeline, epoch, piece->first_scan, piece->first_scan + piece->scans);
    }
    timeline_place(timeline);
    for (size_t i = 0; i < gathered->pieces; i++) {
        struct piece *piece = &gathered->piece[i];
        size_t epoch = timeline_epoch(timeline, piece->stream, piece->epoch);
        piece->begin_ns = timeline_at(timeline, epoch, piece->first_scan);
        piece->end_ns = timeline_at(timeline, epoch, piece->first_scan + piece->scans);
        if (piece->end_ns <= piece->begin_ns) /* only with forged clocks */
            piece->end_ns = piece->begin_ns + 1;
    }
}

static int by_time(const void *a, const void *b) {
    const struct noted *left = a, *right = b;
    int order = (left->at_ns > right->at_ns) - (left->at_ns < right->at_ns);
    return order ? order : strcmp(left->json, right->json);
}

static void place_marks(struct gathered *gathered) {
    for (size_t i = 0; i < gathered->marks; i++) {
        struct noted *mark = &gathered->mark[i];
        mark->at_ns =
            timeline_of_boot(gathered->timeline, gathered->source[mark->source].boot, mark->at_ns);
    }
    if (gathered->marks)
        qsort(gathered->mark, gathered->marks, sizeof *gathered->mark, by_time);
    size_t kept = 0;
    for (size_t i = 0; i < gathered->marks; i++) {
        if (kept && by_time(&gathered->mark[kept - 1], &gathered->mark[i]) == 0)
            free(gathered->mark[i].json);
        else
            gathered->mark[kept++] = gathered->mark[i];
    }
    gathered->marks = kept;
}

int order_and_place(struct gathered *gathered) {
    if (gathered->pieces)
        qsort(gathered->piece, gathered->pieces, sizeof *gathered->piece, by_scan);
    if (gathered->losts)
        qsort(gathered->lost, gathered->losts, sizeof *gathered->lost, by_lost_scan);
    drop_repeated(gathered);
    int error = timeline_finish(gathered->timeline);
    if (!error)
        error = guess_clocks(gathered);
    if (!error)
        error = timeline_finish(gathered->timeline);
    if (error)
        return error;
    place_pieces(gathered);
    place_marks(gathered);
    return 0;
}
