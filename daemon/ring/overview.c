// SPDX-License-Identifier: Apache-2.0
/*
 * overview.c - which segments, and which chunks of them, a picture is drawn from.
 */
#include "overview.h"

#include "canvas.h"
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

    struct overview_loss *losses; /* of the last picture */
    size_t loss_count;
};

/* ---- the list ---- */

static bool of_newest_boot(const struct overview *overview, const struct segment *segment) {
    return overview->boot_known && segment->boot_known &&
           !memcmp(segment->boot, overview->boot, sizeof segment->boot);
}

/* Looks into a segment unless the catalogue knew it; false where it is not ours. */
static bool take_segment(struct overview *overview, struct segment *segment) {
    if (!segment->catalogued) {
        if (!segment_peek(overview->folder, segment))
            return false;
        segment_find_index(overview->folder, segment);
    }
    if (segment->boot_known) {
        memcpy(overview->boot, segment->boot, sizeof overview->boot);
        overview->boot_known = true;
    }
    return true;
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
        struct segment segment = overview->list[i];
        if (take_segment(overview, &segment))
            overview->list[ours++] = segment;
    }
    overview->count = ours;
    return 0;
}

static bool exists(const struct overview *overview, uint64_t number) {
    char *path = segment_path(overview->folder, number);
    bool there = path && access(path, F_OK) == 0;
    free(path);
    return there;
}

/* Segments that were begun since: what has just left the memory ring may be in them. */
static int list_newer(struct overview *overview) {
    uint64_t number = overview->count ? overview->list[overview->count - 1].number + 1 : 1;
    struct segment segment = segment_new(number);
    while (exists(overview, number) && take_segment(overview, &segment)) {
        struct segment *grown =
            reallocarray(overview->list, overview->count + 1, sizeof *overview->list);
        if (!grown)
            return -ENOMEM;
        overview->list = grown;
        overview->list[overview->count++] = segment;
        segment = segment_new(++number);
    }
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
    free(overview->losses);
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

/* ---- chunks ---- */

struct drawing {
    struct overview *overview;
    const struct overview_window *window;
    struct canvas *canvas;
    bool damaged;
};

static bool overlaps(const struct drawing *drawing, int64_t from_ns, int64_t to_ns) {
    return from_ns < drawing->window->to_ns && to_ns >= drawing->window->from_ns;
}

static struct stretch stretch_of(const struct chunk *chunk, uint64_t scans) {
    return (struct stretch){chunk->place.epoch, chunk->place.first_scan,
                            chunk->place.first_scan + scans, chunk->from_ns, chunk->to_ns};
}

/* What lies before the scan `from` is drawn already. */
static int draw_summary(const struct drawing *drawing, const struct chunk *chunk, uint64_t from) {
    struct summary_rows *rows;
    uint64_t scans;
    uint32_t span;
    int error = summary_parse(chunk, drawing->overview->work, &scans, &span, &rows);
    if (error)
        return error;
    struct stretch stretch = stretch_of(chunk, scans);
    canvas_rows(drawing->canvas, &stretch, span, rows, from);
    canvas_seen(drawing->canvas, &stretch);
    free(rows);
    return 0;
}

static int draw_block(const struct drawing *drawing, const struct chunk *chunk, uint64_t from) {
    struct stretch stretch = stretch_of(chunk, chunk->scans);
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
            canvas_samples(drawing->canvas, &stretch, input, drawing->overview->samples, from);
    }
    if (!error)
        canvas_seen(drawing->canvas, &stretch);
    return error;
}

/* ---- a segment by its index ---- */

/* The widest span whose rows are no longer than a column; 0: none, samples it is. */
static uint32_t choose_span(const struct drawing *drawing, const struct chunk *index) {
    uint32_t span = 0;
    for (size_t i = 0; i < chunk_index_count(index); i++) {
        struct chunk_index_entry entry = chunk_index_get(index, i);
        if (entry.stream == drawing->window->stream && entry.span > span && entry.rows &&
            (double)(entry.to_ns - entry.from_ns) / entry.rows <= canvas_column_ns(drawing->canvas))
            span = entry.span;
    }
    return span;
}

static int draw_chunk(const struct drawing *drawing, const struct chunk *chunk) {
    bool wanted = chunk->type == CHUNK_BLOCK && chunk->place.stream == drawing->window->stream &&
                  overlaps(drawing, chunk->from_ns, chunk->to_ns);
    return wanted ? draw_block(drawing, chunk, 0) : 0;
}

/* The blocks from `offset` on, up to the next stretch at `end`; small ones many at a read. */
static int draw_stretch(const struct drawing *drawing, int file, uint64_t offset, uint64_t end) {
    struct overview *overview = drawing->overview;
    while (offset < end) {
        struct chunk chunk;
        size_t have = segment_read_chunks(file, offset, end, &overview->bytes, &overview->room);
        if (!have)
            return -EBADMSG;
        for (size_t at = 0; at < have;) {
            uint32_t sequence;
            int64_t length = chunk_parse(overview->bytes + at, have - at, &chunk, &sequence);
            int error = length > 0 ? draw_chunk(drawing, &chunk) : -EBADMSG;
            if (error)
                return error;
            at += (size_t)length;
        }
        offset += have;
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
        return draw_summary(drawing, &chunk, 0);
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

/* A chunk, as far as it goes beyond what is drawn. A SUMMARY of another span is passed over. */
static int draw_further(const struct drawing *drawing, const struct chunk *chunk, uint32_t span) {
    uint64_t reached = canvas_reached(drawing->canvas, chunk->place.epoch);
    struct chunk_summary_front front = {.scans = chunk->scans};
    int error = span ? chunk_parse_summary(chunk, &front) : 0;
    if (error || front.span != span || chunk->place.first_scan + front.scans <= reached)
        return error;
    return span ? draw_summary(drawing, chunk, reached) : draw_block(drawing, chunk, reached);
}

/* All SUMMARY chunks of a span that go beyond what is drawn; or (span 0) all such blocks. */
static int draw_entries(struct drawing *drawing, struct container_reader *reader, uint32_t span) {
    const struct container_entry *entries;
    size_t count = container_entries(reader, &entries);
    for (size_t i = 0; i < count; i++) {
        const struct container_entry *entry = &entries[i];
        if (entry->type != (span ? CHUNK_SUMMARY : CHUNK_BLOCK) ||
            entry->place.stream != drawing->window->stream ||
            !overlaps(drawing, entry->from_ns, entry->to_ns))
            continue;
        if (!span && entry->place.first_scan + entry->scans <=
                         canvas_reached(drawing->canvas, entry->place.epoch))
            continue;
        struct chunk chunk;
        int error = container_read(reader, i, &chunk);
        if (error == -ENOMEM)
            return error;
        if (!error) {
            error = draw_further(drawing, &chunk, span);
            chunk_done(&chunk);
        }
        drawing->damaged |= error != 0;
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
            if (scan_ns * wider <= canvas_column_ns(drawing->canvas))
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
    for (uint32_t span = choose_scanned(drawing, reader); !error && span >= SUMMARY_FINEST;
         span /= SUMMARY_BASE)
        error = draw_entries(drawing, reader, span);
    if (!error)
        error = draw_entries(drawing, reader, 0);
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
    if (error) { /* the hint was none, or was wrong */
        canvas_forget(drawing->canvas);
        error = draw_scanned(drawing, segment);
    }
    canvas_keep(drawing->canvas);
    return error;
}

/* What is not on the disk: whole blocks, some as the rows of their finest span. */
static int draw_memory(const struct drawing *drawing, const struct chunk *chunk, size_t count) {
    int error = 0;
    for (size_t i = 0; !error && i < count; i++) {
        struct stretch stretch = stretch_of(&chunk[i], chunk[i].scans);
        uint64_t reached = canvas_reached(drawing->canvas, stretch.epoch);
        if (stretch.end <= reached)
            continue;
        if (chunk[i].bytes) {
            error = draw_block(drawing, &chunk[i], reached);
        } else {
            canvas_rows(drawing->canvas, &stretch, SUMMARY_FINEST, chunk[i].summary, reached);
            canvas_seen(drawing->canvas, &stretch);
        }
    }
    canvas_keep(drawing->canvas);
    return error;
}

static int draw_all(struct drawing *drawing, const struct chunk *held, size_t held_count) {
    struct overview *overview = drawing->overview;
    int error = list_newer(overview);
    for (size_t i = 0; !error && i < overview->count; i++) {
        const struct segment *segment = &overview->list[i];
        if (of_newest_boot(overview, segment) &&
            overlaps(drawing, segment->from_ns, segment->to_ns))
            error = draw_segment(drawing, segment);
    }
    return error ? error : draw_memory(drawing, held, held_count);
}

int overview_draw(struct overview *overview, struct memory_ring *memory,
                  const struct overview_window *window, struct overview_column *drawn) {
    if (!window->columns || !window->inputs || window->from_ns >= window->to_ns)
        return -EINVAL;
    struct drawing drawing = {.overview = overview, .window = window};
    struct overview_loss *losses = NULL;
    struct chunk *held = NULL;
    size_t held_count = 0;
    size_t loss_count = 0;
    int error = canvas_new(window, &drawing.canvas);
    /* First what is in memory: what leaves it meanwhile is found on the disk. */
    if (!error && memory)
        error = memory_ring_copy(memory, window->stream, window->from_ns, window->to_ns,
                                 canvas_column_ns(drawing.canvas), &held, &held_count);
    if (!error)
        error = draw_all(&drawing, held, held_count);
    if (!error)
        error = canvas_losses(drawing.canvas, &losses, &loss_count);
    if (!error) {
        canvas_columns(drawing.canvas, drawn);
        free(overview->losses);
        overview->losses = losses;
        overview->loss_count = loss_count;
    }
    while (held_count)
        chunk_done(&held[--held_count]);
    free(held);
    canvas_free(drawing.canvas);
    return error ? error : drawing.damaged ? -EBADMSG : 0;
}

const struct overview_loss *overview_losses(const struct overview *overview, size_t *count) {
    *count = overview->loss_count;
    return overview->losses;
}
