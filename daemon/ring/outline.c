// SPDX-License-Identifier: Apache-2.0
/*
 * outline.c - rows of blocks into rows of wider cells, chunk by chunk.
 */
#include "outline.h"

#include "summary.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define STREAMS       64
#define STRETCH_BYTES 65536u

/* The cells of one span of one stream, from the first scan that no chunk holds yet. */
struct level {
    struct chunk_place place;
    int64_t from_ns, to_ns;
    uint64_t end; /* the scan behind the last one noted */
    struct summary_rows *rows;
};

struct stream {
    size_t inputs;
    bool begun;
    uint32_t epoch;
    uint64_t due; /* the scan that goes on without a step */
    struct level level[SUMMARY_SPANS];
};

struct outline {
    struct codec_work *work;
    struct stream *stream[STREAMS];
    bool incomplete;

    struct chunk *ready; /* chunks to be written */
    size_t ready_count, ready_room;

    struct chunk_index_entry *entry;
    size_t entry_count, entry_room;
    size_t stretch; /* 1 + the entry of the last stretch; 0: none */
};

int outline_new(struct outline **outline) {
    struct outline *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    int error = codec_work_new(&made->work);
    if (error) {
        outline_free(made);
        return error;
    }
    *outline = made;
    return 0;
}

static void free_stream(struct stream *stream) {
    for (size_t i = 0; stream && i < SUMMARY_SPANS; i++)
        free(stream->level[i].rows);
    free(stream);
}

static void drop_ready(struct outline *outline) {
    for (size_t i = 0; i < outline->ready_count; i++)
        chunk_done(&outline->ready[i]);
    outline->ready_count = 0;
}

void outline_free(struct outline *outline) {
    if (!outline)
        return;
    for (size_t i = 0; i < STREAMS; i++)
        free_stream(outline->stream[i]);
    drop_ready(outline);
    free(outline->ready);
    free(outline->entry);
    codec_work_free(outline->work);
    free(outline);
}

void outline_begin(struct outline *outline) {
    for (size_t i = 0; i < STREAMS; i++)
        if (outline->stream[i])
            outline->stream[i]->begun = false;
    drop_ready(outline);
    outline->entry_count = 0;
    outline->stretch = 0;
    outline->incomplete = false;
}

/* Room for one more of `size` bytes each. */
static bool grow(void **array, size_t count, size_t *room, size_t size) {
    if (*array && count < *room)
        return true;
    size_t wanted = *room ? 2 * *room : 64;
    void *grown = reallocarray(*array, wanted, size);
    if (!grown)
        return false;
    *array = grown;
    *room = wanted;
    return true;
}

/* ---- where what stands ---- */

static size_t add_entry(struct outline *outline, const struct chunk_index_entry *entry) {
    void *array = outline->entry;
    if (!grow(&array, outline->entry_count, &outline->entry_room, sizeof *entry)) {
        outline->incomplete = true;
        return 0;
    }
    outline->entry = array;
    outline->entry[outline->entry_count++] = *entry;
    return outline->entry_count;
}

static void note_block(struct outline *outline, uint64_t offset, const struct chunk *chunk) {
    struct chunk_index_entry *last =
        outline->stretch ? &outline->entry[outline->stretch - 1] : NULL;
    if (!last || offset - last->offset >= STRETCH_BYTES) {
        const struct chunk_index_entry entry = {
            .offset = offset, .from_ns = chunk->from_ns, .to_ns = chunk->to_ns};
        outline->stretch = add_entry(outline, &entry);
        return;
    }
    last->from_ns = chunk->from_ns < last->from_ns ? chunk->from_ns : last->from_ns;
    last->to_ns = chunk->to_ns > last->to_ns ? chunk->to_ns : last->to_ns;
}

static void note_summary(struct outline *outline, uint64_t offset, const struct chunk *chunk) {
    struct chunk_summary_front front;
    if (chunk_parse_summary(chunk, &front) < 0)
        return;
    const struct chunk_index_entry entry = {
        .offset = offset,
        .from_ns = chunk->from_ns,
        .to_ns = chunk->to_ns,
        .span = front.span,
        .rows = (uint16_t)summary_cells(chunk->place.first_scan, front.scans, front.span),
        .stream = chunk->place.stream,
    };
    (void)add_entry(outline, &entry);
}

/* ---- summaries ---- */

static uint32_t span_of(size_t level) {
    uint32_t span = SUMMARY_FINEST;
    while (level--)
        span *= SUMMARY_BASE;
    return span;
}

/* Makes a chunk of the level's rows up to the scan `end`, which stands at `to_ns`. */
static void finish_level(struct outline *outline, struct level *level, uint32_t span, uint64_t end,
                         int64_t to_ns) {
    struct chunk chunk = {0};
    if (!level->rows->rows)
        return;
    void *array = outline->ready;
    bool room = grow(&array, outline->ready_count, &outline->ready_room, sizeof chunk);
    outline->ready = array;
    if (room && summary_chunk(&chunk, outline->work, &level->place, end - level->place.first_scan,
                              span, level->rows) == 0) {
        chunk.from_ns = level->from_ns;
        chunk.to_ns = to_ns;
        outline->ready[outline->ready_count++] = chunk;
    } else {
        outline->incomplete = true;
    }
    level->rows->rows = 0;
    level->place.first_scan = end;
    level->from_ns = to_ns;
}

static void finish_stream(struct outline *outline, struct stream *stream) {
    for (size_t i = 0; i < SUMMARY_SPANS; i++) {
        struct level *level = &stream->level[i];
        finish_level(outline, level, span_of(i), level->end, level->to_ns);
    }
}

/* The stream's state for scans of so many inputs; NULL without memory. */
static struct stream *stream_for(struct outline *outline, size_t number, size_t inputs) {
    struct stream *stream = outline->stream[number];
    if (stream && stream->inputs == inputs)
        return stream;
    if (stream && stream->begun)
        finish_stream(outline, stream);
    free_stream(stream);
    outline->stream[number] = stream = calloc(1, sizeof *stream);
    if (!stream)
        return NULL;
    stream->inputs = inputs;
    for (size_t i = 0; i < SUMMARY_SPANS; i++) {
        struct summary_rows *rows =
            malloc(sizeof *rows + SUMMARY_ROWS_MAX * inputs * sizeof *rows->value);
        stream->level[i].rows = rows;
        if (!rows) {
            free_stream(stream);
            outline->stream[number] = NULL;
            return NULL;
        }
        *rows = (struct summary_rows){.inputs = inputs};
    }
    return stream;
}

static void widen(struct summary_value *row, const struct summary_value *by, size_t inputs) {
    for (size_t i = 0; i < inputs; i++) {
        row[i].low = by[i].low < row[i].low ? by[i].low : row[i].low;
        row[i].high = by[i].high > row[i].high ? by[i].high : row[i].high;
        row[i].sum += by[i].sum;
    }
}

static int64_t time_of(const struct chunk *block, uint64_t scan) {
    double share = (double)(scan - block->place.first_scan) / block->scans;
    return block->from_ns + (int64_t)((double)(block->to_ns - block->from_ns) * share);
}

/* Row `row` of the block's summary, which begins at `scan`, into one level. */
static void add_row(struct outline *outline, struct level *level, uint32_t span,
                    const struct chunk *block, uint64_t scan, size_t row) {
    size_t inputs = block->summary->inputs;
    const struct summary_value *by = &block->summary->value[row * inputs];
    uint64_t cell = scan / span - level->place.first_scan / span;
    if (cell == SUMMARY_ROWS_MAX) {
        finish_level(outline, level, span, scan, time_of(block, scan));
        cell = 0;
    }
    struct summary_value *into = &level->rows->value[cell * inputs];
    if (cell < level->rows->rows) {
        widen(into, by, inputs);
    } else {
        memcpy(into, by, inputs * sizeof *by);
        level->rows->rows = cell + 1;
    }
}

static void begin_stream(struct stream *stream, const struct chunk *block) {
    stream->begun = true;
    stream->epoch = block->place.epoch;
    for (size_t i = 0; i < SUMMARY_SPANS; i++) {
        stream->level[i].place = block->place;
        stream->level[i].from_ns = block->from_ns;
        stream->level[i].rows->rows = 0;
    }
}

static void add_rows(struct outline *outline, const struct chunk *block) {
    const struct summary_rows *rows = block->summary;
    struct stream *stream = block->place.stream < STREAMS
                                ? stream_for(outline, block->place.stream, rows ? rows->inputs : 1)
                                : NULL;
    if (!rows || !stream) {
        outline->incomplete = true;
        return;
    }
    bool goes_on = stream->begun && stream->epoch == block->place.epoch &&
                   stream->due == block->place.first_scan;
    if (stream->begun && !goes_on)
        finish_stream(outline, stream);
    if (!goes_on)
        begin_stream(stream, block);
    stream->due = block->place.first_scan + block->scans;
    for (size_t i = 0; i < SUMMARY_SPANS; i++) {
        uint32_t span = span_of(i);
        uint64_t scan = block->place.first_scan;
        for (size_t row = 0; row < rows->rows; row++) {
            add_row(outline, &stream->level[i], span, block, scan, row);
            scan = (scan / SUMMARY_FINEST + 1) * SUMMARY_FINEST;
        }
        stream->level[i].end = stream->due;
        stream->level[i].to_ns = block->to_ns;
    }
}

void outline_wrote(struct outline *outline, uint64_t offset, const struct chunk *chunk) {
    if (chunk->type == CHUNK_SUMMARY)
        note_summary(outline, offset, chunk);
    if (chunk->type != CHUNK_BLOCK)
        return;
    note_block(outline, offset, chunk);
    if (!outline->incomplete)
        add_rows(outline, chunk);
}

bool outline_take(struct outline *outline, bool last, struct chunk *chunk) {
    for (size_t i = 0; last && i < STREAMS; i++) {
        struct stream *stream = outline->stream[i];
        if (stream && stream->begun && !outline->incomplete)
            finish_stream(outline, stream);
        if (stream)
            stream->begun = false;
    }
    if (!outline->ready_count)
        return false;
    *chunk = outline->ready[0];
    outline->ready_count--;
    memmove(outline->ready, outline->ready + 1, outline->ready_count * sizeof *outline->ready);
    return true;
}

int outline_index(const struct outline *outline, struct chunk *chunk) {
    if (outline->incomplete || !outline->entry_count)
        return -ENODATA;
    return chunk_index(chunk, outline->entry, outline->entry_count);
}
