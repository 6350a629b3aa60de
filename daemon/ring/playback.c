// SPDX-License-Identifier: Apache-2.0
/*
 * playback.c - what was gathered, as a record: seek, next, losses.
 */
#include "playback.h"

#include "codec.h"
#include "playback_parts.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The pieces of one stream, and which comes next. */
struct track {
    size_t first, end; /* in gathered.piece */
    size_t next;
    bool after_unreadable; /* the piece before `next` could not be decoded */
};

/* A list of losses given out. Older ones stay until the end: their users may still hold them. */
struct loss_list {
    struct loss_list *older;
    size_t count;
    struct record_loss loss[];
};

struct playback {
    struct gathered gathered;
    struct placed_losses losses;
    struct loss_list *loss_list; /* NULL: to be made */
    struct loss_list *old_lists;
    struct playback_mark *marks; /* all; [first_mark, first_mark + mark_count) are in the stretch */
    size_t first_mark, mark_count;
    struct track *tracks;
    size_t track_count;
    int64_t zero_ns;        /* second 0 */
    int64_t from_ns, to_ns; /* the stretch that is played */
    struct record record;

    /* The block that is played. */
    struct codec_work *work;
    int32_t *samples;
    size_t samples_room;
    const int32_t *counts[BOARD_INPUTS_MAX];
};

static double axis_s(const struct playback *playback, int64_t at_ns) {
    return (double)(at_ns - playback->zero_ns) * 1e-9;
}

/* ---- the stretch ---- */

static double piece_period_ns(const struct piece *piece) {
    return (double)(piece->end_ns - piece->begin_ns) / piece->scans;
}

/* Scans [*skip, *skip + *scans) of the piece are in the stretch; false where none is. */
static bool clip(const struct playback *playback, const struct piece *piece, uint32_t *skip,
                 uint32_t *scans) {
    double period = piece_period_ns(piece);
    double first = 0, end = piece->scans;
    if (piece->begin_ns < playback->from_ns)
        first = ceil(((double)playback->from_ns - (double)piece->begin_ns) / period);
    if (piece->end_ns > playback->to_ns)
        end = floor(((double)playback->to_ns - (double)piece->begin_ns) / period) + 1;
    end = end > piece->scans ? piece->scans : end;
    if (!(first < end))
        return false;
    *skip = (uint32_t)first;
    *scans = (uint32_t)end - (uint32_t)first;
    return true;
}

/* The first piece of the track that ends after `at_ns`. */
static size_t piece_ending_after(const struct playback *playback, const struct track *track,
                                 int64_t at_ns) {
    size_t low = track->first, high = track->end;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (playback->gathered.piece[middle].end_ns <= at_ns)
            low = middle + 1;
        else
            high = middle;
    }
    return low;
}

/* From where to where the stretch really has samples. */
static void set_extent(struct playback *playback) {
    bool any = false;
    double from_s = 0, to_s = 0;
    for (size_t i = 0; i < playback->track_count; i++) {
        const struct track *track = &playback->tracks[i];
        uint32_t skip, scans;
        const struct piece *all = playback->gathered.piece;
        size_t first = piece_ending_after(playback, track, playback->from_ns);
        while (first < track->end && !clip(playback, &all[first], &skip, &scans) &&
               all[first].begin_ns <= playback->to_ns)
            first++;
        if (first == track->end || !clip(playback, &all[first], &skip, &scans))
            continue;
        double begin_s =
            axis_s(playback, all[first].begin_ns) + skip * piece_period_ns(&all[first]) * 1e-9;
        size_t last = piece_ending_after(playback, track, playback->to_ns);
        if (last == track->end)
            last--;
        while (!clip(playback, &all[last], &skip, &scans))
            last--; /* stops at `first` */
        double end_s = axis_s(playback, all[last].begin_ns) +
                       (skip + scans) * piece_period_ns(&all[last]) * 1e-9;
        from_s = !any || begin_s < from_s ? begin_s : from_s;
        to_s = !any || end_s > to_s ? end_s : to_s;
        any = true;
    }
    playback->record.from_s = from_s;
    playback->record.to_s = to_s;
}

/* ---- losses ---- */

/* Makes the list anew: what of the losses lies in the stretch. */
static struct loss_list *make_loss_list(const struct playback *playback) {
    struct loss_list *list =
        malloc(sizeof *list + playback->losses.count * sizeof(struct record_loss));
    if (!list)
        return NULL;
    list->count = 0;
    for (size_t i = 0; i < playback->losses.count; i++) {
        const struct placed_loss *loss = &playback->losses.loss[i];
        if (loss->to_ns < playback->from_ns || loss->from_ns > playback->to_ns)
            continue;
        int64_t from = loss->from_ns < playback->from_ns ? playback->from_ns : loss->from_ns;
        int64_t to = loss->to_ns > playback->to_ns ? playback->to_ns : loss->to_ns;
        uint64_t scans = loss->scans;
        if (scans != RECORD_LOSS_UNKNOWN && loss->to_ns - loss->from_ns != to - from)
            scans = (uint64_t)((double)scans * (double)(to - from) /
                                   (double)(loss->to_ns - loss->from_ns) +
                               0.5);
        list->loss[list->count++] = (struct record_loss){.stream = loss->stream,
                                                         .from_s = axis_s(playback, from),
                                                         .to_s = axis_s(playback, to),
                                                         .scans = scans,
                                                         .reason = loss->reason};
    }
    return list;
}

static void drop_loss_list(struct playback *playback) {
    if (!playback->loss_list)
        return;
    playback->loss_list->older = playback->old_lists;
    playback->old_lists = playback->loss_list;
    playback->loss_list = NULL;
}

static size_t losses(void *context, const struct record_loss **list) {
    struct playback *playback = context;
    if (!playback->loss_list)
        playback->loss_list = make_loss_list(playback);
    *list = playback->loss_list ? playback->loss_list->loss : NULL;
    return playback->loss_list ? playback->loss_list->count : 0;
}

/* ---- playing ---- */

static int seek(void *context, double from_s) {
    struct playback *playback = context;
    double since_zero_ns = from_s * 1e9;
    int64_t at_ns = INT64_MIN;
    if (since_zero_ns >= 0x1p62)
        at_ns = INT64_MAX;
    else if (since_zero_ns > -0x1p62) /* zero_ns is within +-2^61: no overflow */
        at_ns = playback->zero_ns + llround(since_zero_ns);
    if (at_ns < playback->from_ns)
        at_ns = playback->from_ns;
    for (size_t i = 0; i < playback->track_count; i++) {
        struct track *track = &playback->tracks[i];
        track->next = piece_ending_after(playback, track, at_ns);
        track->after_unreadable = false;
    }
    return 0;
}

/* The track whose next piece begins first; NULL at the end. Passes over what is not played. */
static struct track *next_track(struct playback *playback, uint32_t *skip, uint32_t *scans) {
    struct track *chosen = NULL;
    const struct piece *all = playback->gathered.piece;
    for (size_t i = 0; i < playback->track_count; i++) {
        struct track *track = &playback->tracks[i];
        uint32_t track_skip = 0, track_scans = 0;
        while (track->next < track->end &&
               !clip(playback, &all[track->next], &track_skip, &track_scans)) {
            if (all[track->next].begin_ns > playback->to_ns)
                track->next = track->end;
            else
                track->next++;
        }
        if (track->next == track->end ||
            (chosen && all[track->next].begin_ns >= all[chosen->next].begin_ns))
            continue;
        chosen = track;
        *skip = track_skip;
        *scans = track_scans;
    }
    return chosen;
}

/* Inputs that a block of this stream must have, so that every channel finds its samples. */
static size_t inputs_needed(const struct playback *playback, size_t stream) {
    const struct head *head = playback->gathered.head;
    const struct vehicle *vehicle = &head->hookup->vehicle;
    size_t needed = head->streams[stream].described ? head->streams[stream].description.inputs : 1;
    for (size_t i = 0; i < vehicle->channel_count; i++)
        if (vehicle->channels[i].stream == stream && vehicle->channels[i].input >= needed)
            needed = vehicle->channels[i].input + 1;
    return needed;
}

static int decode_chunk(struct playback *playback, const struct piece *piece,
                        const struct chunk *chunk, size_t *inputs) {
    size_t scans = chunk->scans;
    int error = chunk_block_inputs(chunk, inputs);
    if (error)
        return error;
    if (*inputs > BOARD_INPUTS_MAX || *inputs < inputs_needed(playback, piece->stream) ||
        scans != (size_t)piece->skip + piece->scans)
        return -EBADMSG;
    if (*inputs * scans > playback->samples_room) {
        int32_t *more = reallocarray(playback->samples, *inputs * scans, sizeof *more);
        if (!more)
            return -ENOMEM;
        playback->samples = more;
        playback->samples_room = *inputs * scans;
    }
    for (size_t i = 0; !error && i < *inputs; i++) {
        const uint8_t *coded;
        size_t length;
        error = chunk_block_input(chunk, i, &coded, &length);
        if (!error)
            error =
                codec_decode(playback->work, coded, length, playback->samples + i * scans, scans);
    }
    return error == -ENOTSUP ? -EBADMSG : error;
}

/* Decodes a piece; `counts` then point `skip` scans into it. -EBADMSG: it cannot be. */
static int decode(struct playback *playback, const struct piece *piece, uint32_t skip,
                  size_t *inputs) {
    struct chunk chunk = {0};
    int error =
        container_read(playback->gathered.source[piece->source].reader, piece->entry, &chunk);
    if (error)
        return error;
    error = decode_chunk(playback, piece, &chunk, inputs);
    size_t scans = chunk.scans;
    chunk_done(&chunk);
    for (size_t i = 0; !error && i < *inputs; i++)
        playback->counts[i] = playback->samples + i * scans + piece->skip + skip;
    return error;
}

/* A block with a sound check sum and nonsense inside. */
static int lose_piece(struct playback *playback, const struct piece *piece) {
    struct placed_loss loss = {.stream = piece->stream,
                               .from_ns = piece->begin_ns,
                               .to_ns = piece->end_ns,
                               .scans = piece->scans,
                               .reason = "damaged file"};
    for (size_t i = 0; i < playback->losses.count; i++) {
        const struct placed_loss *known = &playback->losses.loss[i];
        if (known->stream == loss.stream && known->from_ns == loss.from_ns &&
            known->to_ns == loss.to_ns && known->scans == loss.scans)
            return 0; /* met before, at an earlier playing */
    }
    int error = placed_losses_add(&playback->losses, &loss);
    if (error)
        return error;
    placed_losses_sort(&playback->losses);
    drop_loss_list(playback);
    return 0;
}

static int next(void *context, struct record_run *run) {
    struct playback *playback = context;
    for (;;) {
        uint32_t skip = 0, scans = 0;
        struct track *track = next_track(playback, &skip, &scans);
        if (!track)
            return 0;
        const struct piece *piece = &playback->gathered.piece[track->next];
        size_t inputs;
        int error = decode(playback, piece, skip, &inputs);
        if (error == -EBADMSG) {
            error = lose_piece(playback, piece);
            track->after_unreadable = true;
            track->next++;
            if (!error)
                continue;
        }
        if (error)
            return error;
        double period_s = piece_period_ns(piece) * 1e-9;
        *run = (struct record_run){.stream = piece->stream,
                                   .inputs = inputs,
                                   .scans = scans,
                                   .time_s = axis_s(playback, piece->begin_ns) + skip * period_s,
                                   .period_s = period_s,
                                   .after_loss =
                                       skip == 0 && (piece->after_loss || track->after_unreadable),
                                   .counts = playback->counts};
        track->after_unreadable = false;
        track->next++;
        return 1;
    }
}

/* ---- opening ---- */

static int make_tracks(struct playback *playback) {
    const struct gathered *gathered = &playback->gathered;
    playback->track_count = gathered->head->stream_count;
    playback->tracks = calloc(playback->track_count, sizeof *playback->tracks);
    if (!playback->tracks)
        return -ENOMEM;
    size_t at = 0;
    playback->zero_ns = INT64_MAX;
    for (size_t i = 0; i < playback->track_count; i++) {
        struct track *track = &playback->tracks[i];
        track->first = at;
        while (at < gathered->pieces && gathered->piece[at].stream == i)
            at++;
        track->end = at;
        if (track->first < at && gathered->piece[track->first].begin_ns < playback->zero_ns)
            playback->zero_ns = gathered->piece[track->first].begin_ns;
    }
    return 0;
}

static int make_marks(struct playback *playback) {
    const struct gathered *gathered = &playback->gathered;
    playback->marks = calloc(gathered->marks + 1, sizeof *playback->marks);
    if (!playback->marks)
        return -ENOMEM;
    for (size_t i = 0; i < gathered->marks; i++)
        playback->marks[i] = (struct playback_mark){
            .at_s = axis_s(playback, gathered->mark[i].at_ns), .json = gathered->mark[i].json};
    return 0;
}

int playback_open(const char *const *paths, size_t count, struct playback **playback, char *why,
                  size_t why_size) {
    struct playback *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    if (why_size)
        why[0] = '\0';
    int error = gather(&made->gathered, paths, count, why, why_size);
    if (!error)
        error = codec_work_new(&made->work);
    if (!error)
        error = find_losses(&made->gathered, &made->losses);
    if (!error)
        error = make_tracks(made);
    if (!error)
        error = make_marks(made);
    if (error) {
        if (why_size && !why[0])
            snprintf(why, why_size, "%s", strerror(-error));
        playback_free(made);
        return error;
    }
    made->record = (struct record){.context = made,
                                   .vehicle = &made->gathered.head->hookup->vehicle,
                                   .seek = seek,
                                   .next = next,
                                   .losses = losses};
    playback_narrow(made, INT64_MIN, INT64_MAX);
    *playback = made;
    return 0;
}

void playback_free(struct playback *playback) {
    if (!playback)
        return;
    drop_loss_list(playback);
    while (playback->old_lists) {
        struct loss_list *older = playback->old_lists->older;
        free(playback->old_lists);
        playback->old_lists = older;
    }
    free(playback->losses.loss);
    free(playback->marks);
    free(playback->tracks);
    free(playback->samples);
    codec_work_free(playback->work);
    gathered_done(&playback->gathered);
    free(playback);
}

void playback_narrow(struct playback *playback, int64_t from_ns, int64_t to_ns) {
    playback->from_ns = from_ns;
    playback->to_ns = to_ns;
    drop_loss_list(playback);
    set_extent(playback);
    const struct gathered *gathered = &playback->gathered;
    size_t first = 0, end = gathered->marks;
    while (first < end && gathered->mark[first].at_ns < from_ns)
        first++;
    while (end > first && gathered->mark[end - 1].at_ns > to_ns)
        end--;
    playback->first_mark = first;
    playback->mark_count = end - first;
    seek(playback, playback->record.from_s);
}

const struct record *playback_record(struct playback *playback) {
    return &playback->record;
}

const struct head *playback_head(const struct playback *playback) {
    return playback->gathered.head;
}

int64_t playback_elapsed_ns(const struct playback *playback) {
    return playback->zero_ns;
}

int64_t playback_wall_ns(const struct playback *playback) {
    if (!playback->gathered.any_clock)
        return 0;
    return timeline_wall(playback->gathered.timeline, playback->zero_ns);
}

double playback_apart_s(const struct playback *playback) {
    double worst = 0, second = 0;
    size_t streams = playback->gathered.head->stream_count;
    for (size_t i = 0; i < streams; i++) {
        double error_ns = timeline_error_ns(playback->gathered.timeline, (uint16_t)i);
        second = fmax(second, fmin(worst, error_ns));
        worst = fmax(worst, error_ns);
    }
    return streams > 1 ? hypot(worst, second) * 1e-9 : 0;
}

size_t playback_marks(const struct playback *playback, const struct playback_mark **marks) {
    *marks = playback->marks + playback->first_mark;
    return playback->mark_count;
}
