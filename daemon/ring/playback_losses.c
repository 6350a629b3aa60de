// SPDX-License-Identifier: Apache-2.0
/*
 * playback_losses.c - every scan that is missing, with its place and, where one was given, its
 * reason: LOSS chunks; holes between blocks that no LOSS explains; changes of epoch; torn ends.
 */
#include "playback_parts.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

/* One stream of what was gathered, while its losses are found. */
struct walk {
    struct gathered *gathered;
    struct placed_losses *losses;
    uint16_t stream;
    struct piece *piece; /* the stream's own */
    size_t pieces;
    const struct lost *lost;
    size_t losts;
};

int placed_losses_add(struct placed_losses *losses, const struct placed_loss *loss) {
    if (losses->count == losses->room) {
        size_t room = losses->room ? 2 * losses->room : 16;
        struct placed_loss *more = reallocarray(losses->loss, room, sizeof *more);
        if (!more)
            return -ENOMEM;
        losses->loss = more;
        losses->room = room;
    }
    losses->loss[losses->count++] = *loss;
    return 0;
}

static int by_time(const void *a, const void *b) {
    const struct placed_loss *left = a, *right = b;
    if (left->from_ns != right->from_ns)
        return left->from_ns < right->from_ns ? -1 : 1;
    return (left->stream > right->stream) - (left->stream < right->stream);
}

void placed_losses_sort(struct placed_losses *losses) {
    if (losses->count)
        qsort(losses->loss, losses->count, sizeof *losses->loss, by_time);
}

static int add(struct walk *walk, int64_t from_ns, int64_t to_ns, uint64_t scans,
               const char *reason) {
    struct placed_loss loss = {.stream = walk->stream,
                               .from_ns = from_ns,
                               .to_ns = to_ns < from_ns ? from_ns : to_ns,
                               .scans = scans,
                               .reason = reason};
    return placed_losses_add(walk->losses, &loss);
}

/* ---- losses of known size ---- */

/* Scans [from, to) of an epoch are missing, for this reason. */
static int add_scans(struct walk *walk, uint32_t epoch, uint64_t from, uint64_t to,
                     const char *reason) {
    const struct timeline *timeline = walk->gathered->timeline;
    size_t index = timeline_epoch(timeline, walk->stream, epoch);
    if (from >= to || index == TIMELINE_NONE)
        return 0;
    return add(walk, timeline_at(timeline, index, from), timeline_at(timeline, index, to),
               to - from, reason);
}

static bool is_known(const struct lost *lost) {
    return lost->scans != RECORD_LOSS_UNKNOWN;
}

/*
 * The hole [from, to) between blocks: what LOSS chunks say of it, and the rest for `reason`.
 * `*next` is the first LOSS of the epoch that may still matter, `end` the one after its last.
 */
static int fill_hole(struct walk *walk, uint32_t epoch, uint64_t from, uint64_t to, size_t *next,
                     size_t end, const char *reason) {
    int error = 0;
    for (; !error && from < to && *next < end; ++*next) {
        const struct lost *lost = &walk->lost[*next];
        if (!is_known(lost))
            continue;
        uint64_t lost_end = lost->first_scan + lost->scans;
        if (lost_end <= from)
            continue;
        if (lost->first_scan >= to)
            break;
        uint64_t begin = lost->first_scan > from ? lost->first_scan : from;
        uint64_t stop = lost_end < to ? lost_end : to;
        error = add_scans(walk, epoch, from, begin, reason);
        if (!error)
            error = add_scans(walk, epoch, begin, stop, lost->reason);
        from = stop;
        if (lost_end > to)
            break; /* it goes on after the next block */
    }
    return error ? error : add_scans(walk, epoch, from, to, reason);
}

static bool is_damaged(const struct walk *walk, const struct piece *piece) {
    const struct container_damage *damage;
    return container_damages(walk->gathered->source[piece->source].reader, &damage) > 0;
}

/* Pieces [p, p_end) and losses [l, l_end) are those of one epoch. */
static int walk_epoch(struct walk *walk, size_t p, size_t p_end, size_t l, size_t l_end) {
    uint32_t epoch = p < p_end ? walk->piece[p].epoch : walk->lost[l].epoch;
    uint64_t at = p < p_end ? walk->piece[p].first_scan : UINT64_MAX;
    uint64_t stop = 0;
    for (size_t i = l; i < l_end; i++) {
        const struct lost *lost = &walk->lost[i];
        if (!is_known(lost))
            continue;
        at = lost->first_scan < at ? lost->first_scan : at;
        stop = lost->first_scan + lost->scans > stop ? lost->first_scan + lost->scans : stop;
    }
    int error = 0;
    for (size_t i = p; !error && i < p_end; i++) {
        struct piece *piece = &walk->piece[i];
        if (piece->first_scan > at) {
            bool damaged = is_damaged(walk, piece) || (i > p && is_damaged(walk, &piece[-1]));
            piece->after_loss = true;
            error = fill_hole(walk, epoch, at, piece->first_scan, &l, l_end,
                              damaged ? "damaged file" : "not recorded");
        }
        at = piece->first_scan + piece->scans;
    }
    if (!error && at < stop)
        error = fill_hole(walk, epoch, at, stop, &l, l_end, "not recorded");
    return error;
}

static int walk_epochs(struct walk *walk) {
    int error = 0;
    for (size_t p = 0, l = 0; !error && (p < walk->pieces || l < walk->losts);) {
        uint32_t epoch = p < walk->pieces ? walk->piece[p].epoch : UINT32_MAX;
        if (l < walk->losts && walk->lost[l].epoch < epoch)
            epoch = walk->lost[l].epoch;
        size_t p_end = p, l_end = l;
        while (p_end < walk->pieces && walk->piece[p_end].epoch == epoch)
            p_end++;
        while (l_end < walk->losts && walk->lost[l_end].epoch == epoch)
            l_end++;
        error = walk_epoch(walk, p, p_end, l, l_end);
        p = p_end;
        l = l_end;
    }
    return error;
}

/* ---- losses of unknown size ---- */

/* The first piece at or after the place of a LOSS. */
static size_t piece_after(const struct walk *walk, const struct lost *lost) {
    size_t low = 0, high = walk->pieces;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        const struct piece *piece = &walk->piece[middle];
        if (piece->epoch < lost->epoch ||
            (piece->epoch == lost->epoch && piece->first_scan < lost->first_scan))
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

/* An unknown number of scans before piece `index`. */
static int add_unknown(struct walk *walk, size_t index, const char *reason) {
    int64_t from = index > 0 ? walk->piece[index - 1].end_ns : walk->piece[index].begin_ns;
    int64_t to = index < walk->pieces ? walk->piece[index].begin_ns : from;
    if (index < walk->pieces)
        walk->piece[index].after_loss = walk->piece[index].after_unknown = true;
    return add(walk, from, to, RECORD_LOSS_UNKNOWN, reason);
}

static int unknown_losses(struct walk *walk) {
    int error = 0;
    for (size_t i = 0; !error && i < walk->losts; i++)
        if (!is_known(&walk->lost[i]))
            error = add_unknown(walk, piece_after(walk, &walk->lost[i]), walk->lost[i].reason);
    for (size_t i = 1; !error && i < walk->pieces; i++)
        if (walk->piece[i].epoch != walk->piece[i - 1].epoch && !walk->piece[i].after_unknown)
            error = add_unknown(walk, i, "recording began anew");
    return error;
}

/* Is damage in the piece's file before its block (`before`), or after it? */
static bool damage_beside(const struct walk *walk, const struct piece *piece, bool before) {
    const struct source *source = &walk->gathered->source[piece->source];
    const struct container_damage *damage;
    size_t count = container_damages(source->reader, &damage);
    uint64_t offset = source->entries[piece->entry].offset;
    for (size_t i = 0; i < count; i++)
        if ((damage[i].offset < offset) == before)
            return true;
    return false;
}

/* Beyond the first and the last block nothing tells how many scans a damaged file has lost. */
static int torn_ends(struct walk *walk) {
    int error = 0;
    if (damage_beside(walk, &walk->piece[0], true))
        error = add_unknown(walk, 0, "damaged file");
    if (!error && damage_beside(walk, &walk->piece[walk->pieces - 1], false))
        error = add_unknown(walk, walk->pieces, "damaged file");
    return error;
}

/* ---- all streams ---- */

int find_losses(struct gathered *gathered, struct placed_losses *losses) {
    int error = 0;
    size_t p = 0, l = 0;
    for (size_t stream = 0; !error && stream < gathered->head->stream_count; stream++) {
        struct walk walk = {.gathered = gathered,
                            .losses = losses,
                            .stream = (uint16_t)stream,
                            .piece = gathered->piece + p,
                            .lost = gathered->losts ? gathered->lost + l : NULL};
        for (; p < gathered->pieces && gathered->piece[p].stream == stream; p++)
            walk.pieces++;
        for (; l < gathered->losts && gathered->lost[l].stream == stream; l++)
            walk.losts++;
        error = walk_epochs(&walk);
        if (!error && walk.pieces)
            error = unknown_losses(&walk);
        if (!error && walk.pieces)
            error = torn_ends(&walk);
    }
    placed_losses_sort(losses);
    return error;
}
