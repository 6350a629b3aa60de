// SPDX-License-Identifier: Apache-2.0
/*
 * overview.c - which segments, which chunks of them, and what they put into which column.
 */
#include "overview.h"

#include "catalogue.h"
#include "container.h"
#include "segments.h"
#include "summary.h"

#include <errno.h>
#include <fcntl.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct overview {
    char *folder;
    struct segment *list;
    size_t count;
    bool boot_known; /* of the newest segment that tells */
    uint8_t boot[16];

    struct codec_work *work;
    int32_t *samples; /* of one input of one block */
    uint8_t *bytes;   /* of one chunk */
    size_t room;
};

/* ---- the list ---- */

static bool of_newest_boot(const struct overview *overview, const struct segment *segment) {
    return overview->boot_known && segment->boot_known &&
           !memcmp(segment->boot, overview->boot, sizeof segment->boot);
}

static int list_segments(struct overview *overview) {
    int error = segments_find(overview->folder, &overview->list, &overview->count);
    if (error)
        return error;
    int folder_file = open(overview->folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (folder_file < 0)
        return -errno;
    (void)catalogue_read(folder_file, overview->list, overview->count);
    close(folder_file);
    size_t ours = 0;
    for (size_t i = 0; i < overview->count; i++) {
        struct segment *segment = &overview->list[i];
        if (!segment->catalogued) {
            if (!segment_peek(overview->folder, segment))
                continue;
            segment_find_index(overview->folder, segment);
        }
        if (segment->boot_known) {
            memcpy(overview->boot, segment->boot, sizeof overview->boot);
            overview->boot_known = true;
        }
        overview->list[ours++] = *segment;
    }
    overview->count = ours;
    return 0;
}

int overview_open(const char *folder, struct overview **overview) {
    struct overview *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->folder = strdup(folder);
    made->samples = malloc(CODEC_SAMPLES_MAX * sizeof *made->samples);
    int error = made->folder && made->samples ? codec_work_new(&made->work) : -ENOMEM;
    if (!error)
        error = list_segments(made);
    if (error) {
        overview_free(made);
        return error;
    }
    *overview = made;
    return 0;
}

void overview_free(struct overview *overview) {
    if (!overview)
        return;
    codec_work_free(overview->work);
    free(overview->bytes);
    free(overview->samples);
    free(overview->list);
    free(overview->folder);
    free(overview);
}

struct overview_state overview_state(const struct overview *overview) {
    struct overview_state state = {
        .segments = overview->count, .from_ns = INT64_MAX, .to_ns = INT64_MIN};
    for (size_t i = 0; i < overview->count; i++) {
        const struct segment *segment = &overview->list[i];
        bool empty = segment->catalogued && segment->from_ns > segment->to_ns;
        state.indexed += segment->index_at || empty;
        if (!of_newest_boot(overview, segment) || segment->from_ns == INT64_MAX)
            continue;
        state.from_ns = segment->from_ns < state.from_ns ? segment->from_ns : state.from_ns;
        /* Of one that is still being written only the beginning is known here. */
        int64_t to_ns = segment->to_ns == INT64_MAX ? segment->from_ns : segment->to_ns;
        state.to_ns = to_ns > state.to_ns ? to_ns : state.to_ns;
    }
    return state;
}

/* ---- columns ---- */

struct drawing {
    struct overview *overview;
    const struct overview_window *window;
    struct overview_extremes *extremes;
    double column_ns;
    bool damaged;
};

static bool overlaps(const struct drawing *drawing, int64_t from_ns, int64_t to_ns) {
    return from_ns < drawing->window->to_ns && to_ns >= drawing->window->from_ns;
}

/* The column at a time, 0 .. columns: before the window 0, behind it `columns`. */
static size_t column_at(const struct drawing *drawing, double ns) {
    double column = (ns - (double)drawing->window->from_ns) / drawing->column_ns;
    if (!(column > 0))
        return 0;
    return column < (double)drawing->window->columns ? (size_t)column : drawing->window->columns;
}

static void widen(struct overview_extremes *extremes, int32_t low, int32_t high) {
    extremes->low = low < extremes->low ? low : extremes->low;
    extremes->high = high > extremes->high ? high : extremes->high;
}

/* A row of a summary, into all columns that [from_ns, to_ns) touches. */
static void draw_row(const struct drawing *drawing, const int32_t *value, size_t inputs,
                     double from_ns, double to_ns) {
    const struct overview_window *window = drawing->window;
    if (to_ns <= (double)window->from_ns || from_ns >= (double)window->to_ns)
        return;
    size_t last = column_at(drawing, to_ns);
    if (last == window->columns ||
        (double)window->from_ns + (double)last * drawing->column_ns >= to_ns)
        last--;
    inputs = inputs < window->inputs ? inputs : window->inputs;
    for (size_t column = column_at(drawing, from_ns); column <= last; column++)
        for (size_t input = 0; input < inputs; input++)
            widen(&drawing->extremes[column * window->inputs + input], value[2 * input],
                  value[2 * input + 1]);
}

/* `*end` is the scan behind it. */
static int draw_summary(const struct drawing *drawing, const struct chunk *chunk, uint64_t *end) {
    struct summary_rows *rows;
    uint64_t scans;
    uint32_t span;
    int error = summary_parse(chunk, drawing->overview->work, &scans, &span, &rows);
    if (error)
        return error;
    uint64_t first = chunk->place.first_scan;
    double scan_ns = (double)(chunk->to_ns - chunk->from_ns) / (double)scans;
    double from_ns = (double)chunk->from_ns;
    for (size_t row = 0; row < rows->rows; row++) {
        uint64_t behind = (first / span + row + 1) * span - first;
        double to_ns = (double)chunk->from_ns + (double)(behind < scans ? behind : scans) * scan_ns;
        draw_row(drawing, &rows->value[row * rows->inputs * 2], rows->inputs, from_ns, to_ns);
        from_ns = to_ns;
    }
    free(rows);
    *end = first + scans;
    return 0;
}

/* One input's samples, each into its column. */
static void draw_samples(const struct drawing *drawing, const struct chunk *chunk, size_t input) {
    const struct overview_window *window = drawing->window;
    const int32_t *samples = drawing->overview->samples;
    double scan_ns = (double)(chunk->to_ns - chunk->from_ns) / chunk->scans;
    double before_ns = (double)window->from_ns - (double)chunk->from_ns;
    double first = before_ns > 0 && scan_ns > 0 ? before_ns / scan_ns : 0;
    uint32_t scan = first < chunk->scans ? (uint32_t)first : chunk->scans;
    if ((double)scan < first)
        scan++;
    while (scan < chunk->scans) {
        size_t column = column_at(drawing, (double)chunk->from_ns + scan * scan_ns);
        if (column == window->columns)
            break;
        double end_ns = (double)window->from_ns + (double)(column + 1) * drawing->column_ns -
                        (double)chunk->from_ns;
        struct overview_extremes *extremes = &drawing->extremes[column * window->inputs + input];
        do
            widen(extremes, samples[scan], samples[scan]);
        while (++scan < chunk->scans && scan * scan_ns < end_ns);
    }
}

static int draw_block(const struct drawing *drawing, const struct chunk *chunk) {
    size_t inputs;
    int error = chunk_block_inputs(chunk, &inputs);
    if (!error && inputs > drawing->window->inputs)
        inputs = drawing->window->inputs;
    for (size_t input = 0; !error && input < inputs; input++) {
        const uint8_t *coded;
        size_t length;
        error = chunk_block_input(chunk, input, &coded, &length);
        if (!error)
            error = codec_decode(drawing->overview->work, coded, length, drawing->overview->samples,
                                 chunk->scans);
        if (!error)
            draw_samples(drawing, chunk, input);
    }
    return error;
}

/* ---- a segment by its index ---- */

/* The widest span whose rows are no longer than a column; 0: none, samples it is. */
static uint32_t choose_span(const struct drawing *drawing, const struct chunk *index) {
    uint32_t span = 0;
    for (size_t i = 0; i < chunk_index_count(index); i++) {
        struct chunk_index_entry entry = chunk_index_get(index, i);
        if (entry.stream == drawing->window->stream && entry.span > span && entry.rows &&
            (double)(entry.to_ns - entry.from_ns) / entry.rows <= drawing->column_ns)
            span = entry.span;
    }
    return span;
}

/* The blocks from `offset` on, up to the next stretch at `end`. */
static int draw_stretch(const struct drawing *drawing, int file, uint64_t offset, uint64_t end) {
    struct overview *overview = drawing->overview;
    while (offset < end) {
        struct chunk chunk;
        size_t length = segment_read_chunk(file, offset, &overview->bytes, &overview->room, &chunk);
        if (!length)
            return -EBADMSG;
        if (chunk.type == CHUNK_BLOCK && chunk.place.stream == drawing->window->stream &&
            overlaps(drawing, chunk.from_ns, chunk.to_ns)) {
            int error = draw_block(drawing, &chunk);
            if (error)
                return error;
        }
        offset += length;
    }
    return 0;
}

static int draw_entry(const struct drawing *drawing, int file, const struct chunk *index,
                      size_t number, uint64_t index_at) {
    struct overview *overview = drawing->overview;
    struct chunk_index_entry entry = chunk_index_get(index, number);
    struct chunk chunk;
    uint64_t end = index_at;
    if (entry.span) {
        if (!segment_read_chunk(file, entry.offset, &overview->bytes, &overview->room, &chunk))
            return -EBADMSG;
        return draw_summary(drawing, &chunk, &end);
    }
    for (size_t i = number + 1; i < chunk_index_count(index); i++) {
        struct chunk_index_entry next = chunk_index_get(index, i);
        if (!next.span) {
            end = next.offset;
            break;
        }
    }
    return draw_stretch(drawing, file, entry.offset, end);
}

static int draw_indexed(const struct drawing *drawing, const struct segment *segment, int file) {
    struct chunk index;
    uint8_t *bytes = NULL;
    size_t room = 0;
    if (!segment_read_chunk(file, segment->index_at, &bytes, &room, &index) ||
        index.type != CHUNK_INDEX) {
        free(bytes);
        return -EBADMSG;
    }
    uint32_t span = choose_span(drawing, &index);
    int error = 0;
    for (size_t i = 0; !error && i < chunk_index_count(&index); i++) {
        struct chunk_index_entry entry = chunk_index_get(&index, i);
        bool wanted = entry.span == span && overlaps(drawing, entry.from_ns, entry.to_ns) &&
                      (!span || entry.stream == drawing->window->stream);
        if (wanted)
            error = draw_entry(drawing, file, &index, i, segment->index_at);
    }
    free(bytes);
    return error;
}

/* ---- a segment by scanning it ---- */

/* How far the scans of an epoch are drawn; a segment has few epochs, one more is drawn twice. */
#define EPOCHS 32
struct drawn {
    size_t count;
    uint32_t epoch[EPOCHS];
    uint64_t end[EPOCHS];
};

static uint64_t *drawn_end(struct drawn *drawn, uint32_t epoch) {
    for (size_t i = 0; i < drawn->count; i++)
        if (drawn->epoch[i] == epoch)
            return &drawn->end[i];
    if (drawn->count == EPOCHS)
        return NULL;
    drawn->epoch[drawn->count] = epoch;
    drawn->end[drawn->count] = 0;
    return &drawn->end[drawn->count++];
}

/* All SUMMARY chunks of a span that go beyond what is drawn; or (span 0) all such blocks. */
static int draw_entries(struct drawing *drawing, struct container_reader *reader, uint32_t span,
                        struct drawn *drawn) {
    const struct container_entry *entries;
    size_t count = container_entries(reader, &entries);
    for (size_t i = 0; i < count; i++) {
        const struct container_entry *entry = &entries[i];
        if (entry->type != (span ? CHUNK_SUMMARY : CHUNK_BLOCK) ||
            entry->place.stream != drawing->window->stream ||
            !overlaps(drawing, entry->from_ns, entry->to_ns))
            continue;
        uint64_t *end = drawn_end(drawn, entry->place.epoch);
        if (!span && end && entry->place.first_scan + entry->scans <= *end)
            continue;
        struct chunk chunk;
        int error = container_read(reader, i, &chunk);
        if (error == -ENOMEM)
            return error;
        struct chunk_summary_front front;
        uint64_t reached = 0;
        if (!error && span)
            error = chunk_parse_summary(&chunk, &front);
        if (!error && span) {
            if (front.span == span && (!end || chunk.place.first_scan + front.scans > *end))
                error = draw_summary(drawing, &chunk, &reached);
        } else if (!error) {
            error = draw_block(drawing, &chunk);
        }
        if (end && reached > *end)
            *end = reached;
        drawing->damaged |= error != 0;
        chunk_done(&chunk);
    }
    return 0;
}

/* The widest span of the file whose rows are no longer than a column; 0: none. */
static uint32_t choose_scanned(const struct drawing *drawing, struct container_reader *reader) {
    const struct container_entry *entries;
    size_t count = container_entries(reader, &entries);
    for (size_t i = 0; i < count; i++) {
        if (entries[i].type != CHUNK_BLOCK || entries[i].place.stream != drawing->window->stream)
            continue;
        double scan_ns = (double)(entries[i].to_ns - entries[i].from_ns) / entries[i].scans;
        uint32_t span = 0;
        for (uint32_t wider = SUMMARY_FINEST, k = 0; k < SUMMARY_SPANS; k++, wider *= SUMMARY_BASE)
            if (scan_ns * wider <= drawing->column_ns)
                span = wider;
        return span;
    }
    return 0;
}

static int draw_scanned(struct drawing *drawing, const struct segment *segment) {
    char *path = segment_path(drawing->overview->folder, segment->number);
    if (!path)
        return -ENOMEM;
    struct container_reader *reader = NULL;
    int error = container_open(path, &reader);
    free(path);
    if (error)
        return error == -ENOMEM ? error : 0;
    struct drawn drawn = {0};
    for (uint32_t span = choose_scanned(drawing, reader); !error && span >= SUMMARY_FINEST;
         span /= SUMMARY_BASE)
        error = draw_entries(drawing, reader, span, &drawn);
    if (!error)
        error = draw_entries(drawing, reader, 0, &drawn);
    container_reader_free(reader);
    return error;
}

/* ---- all ---- */

static int draw_segment(struct drawing *drawing, const struct segment *segment) {
    int error = -ENODATA;
    if (segment->index_at) {
        char *path = segment_path(drawing->overview->folder, segment->number);
        int file = path ? open(path, O_RDONLY | O_CLOEXEC) : -1;
        free(path);
        if (file < 0)
            return 0; /* pruned meanwhile */
        error = draw_indexed(drawing, segment, file);
        close(file);
    }
    /* The hint was none, or was wrong: columns only widen, so what it gave may stand. */
    return error ? draw_scanned(drawing, segment) : 0;
}

int overview_draw(struct overview *overview, const struct overview_window *window,
                  struct overview_extremes *extremes) {
    if (!window->columns || !window->inputs || window->from_ns >= window->to_ns)
        return -EINVAL;
    struct drawing drawing = {
        .overview = overview,
        .window = window,
        .extremes = extremes,
        .column_ns = ((double)window->to_ns - (double)window->from_ns) / (double)window->columns,
    };
    for (size_t i = 0; i < window->columns * window->inputs; i++)
        extremes[i] = (struct overview_extremes){INT32_MAX, INT32_MIN};
    int error = 0;
    for (size_t i = 0; !error && i < overview->count; i++) {
        const struct segment *segment = &overview->list[i];
        if (of_newest_boot(overview, segment) &&
            overlaps(&drawing, segment->from_ns, segment->to_ns))
            error = draw_segment(&drawing, segment);
    }
    return error ? error : drawing.damaged ? -EBADMSG : 0;
}
