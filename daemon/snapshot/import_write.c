// SPDX-License-Identifier: Apache-2.0
/*
 * import_write.c - the second pass over a CSV file: rows into blocks of a container.
 *
 * The grid is run again from the same beginning and so places every row as the survey did.
 */
#include "import_write.h"

#include "codec.h"
#include "import_decimal.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>

#define BLOCK_SCANS_LEAST 256        /* a slow record is not chopped into blocks of a few scans */
#define BLOCK_VALUES_MOST (1U << 20) /* of all inputs together: bounds memory and chunk */
#define ANCHOR_OFF        0.05 /* periods the grid may leave the last clock anchor's line by */

struct import_write {
    const struct import_survey *survey;
    struct container_writer *container;
    int64_t wall_ns;
    struct codec_work *work;
    struct import_grid grid;
    bool has_header;
    uint64_t rows;

    size_t inputs;
    size_t block_scans;
    int32_t *samples; /* samples[input * block_scans + scan] */
    uint8_t *coded;   /* coded[input * coded_room] */
    size_t coded_room;
    size_t scans;        /* in the block so far */
    uint64_t first_scan; /* of it */

    bool anchored;
    uint64_t anchor_scan;
    double anchor_s;
};

static size_t block_scans(const struct import_survey *survey) {
    size_t most = BLOCK_VALUES_MOST / survey->column_count;
    if (most > CODEC_SAMPLES_MAX)
        most = CODEC_SAMPLES_MAX;
    double second = ceil(1 / survey->period_s);
    if (second >= (double)most)
        return most;
    return second < BLOCK_SCANS_LEAST ? BLOCK_SCANS_LEAST : (size_t)second;
}

int import_write_new(const struct import_survey *survey, int64_t wall_ns,
                     struct container_writer *container, struct import_write **write) {
    struct import_write *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->survey = survey;
    made->container = container;
    made->wall_ns = wall_ns;
    made->inputs = survey->column_count;
    made->block_scans = block_scans(survey);
    made->coded_room = codec_bound(made->block_scans);
    made->samples = calloc(made->inputs * made->block_scans, sizeof *made->samples);
    made->coded = malloc(made->inputs * made->coded_room);
    import_grid_begin(&made->grid, survey->first_period_s);
    if (!made->samples || !made->coded || codec_work_new(&made->work) < 0) {
        import_write_free(made);
        return -ENOMEM;
    }
    *write = made;
    return 0;
}

void import_write_free(struct import_write *write) {
    if (!write)
        return;
    codec_work_free(write->work);
    free(write->coded);
    free(write->samples);
    free(write);
}

static int64_t nanoseconds(double seconds) {
    return llround(seconds * 1e9);
}

/* When a scan is, by the last clock anchor. */
static double scan_time(const struct import_write *write, uint64_t scan) {
    return write->anchor_s + ((double)scan - (double)write->anchor_scan) * write->survey->period_s;
}

/* Appends with the elapsed time it covers, and frees. */
static int append(struct import_write *write, struct chunk *chunk, uint64_t from, uint64_t to) {
    chunk->from_ns = nanoseconds(scan_time(write, from));
    chunk->to_ns = nanoseconds(scan_time(write, to));
    int result = container_append(write->container, chunk);
    chunk_done(chunk);
    return result;
}

static int flush_block(struct import_write *write) {
    const uint8_t *coded[BOARD_INPUTS_MAX];
    size_t length[BOARD_INPUTS_MAX];
    size_t scans = write->scans;
    if (scans == 0)
        return 0;
    for (size_t i = 0; i < write->inputs; i++) {
        uint8_t *out = write->coded + i * write->coded_room;
        length[i] = codec_encode(write->work, write->samples + i * write->block_scans, scans,
                                 CODEC_FULL, out);
        coded[i] = out;
    }
    struct chunk_place place = {.first_scan = write->first_scan};
    struct chunk chunk;
    int result = chunk_block(&chunk, &place, (uint32_t)scans, write->inputs, coded, length);
    if (result == 0)
        result = append(write, &chunk, write->first_scan, write->first_scan + scans);
    write->scans = 0;
    return result;
}

static int write_loss(struct import_write *write, uint64_t missing) {
    int result = flush_block(write);
    struct chunk_place place = {.first_scan = write->grid.scan - missing};
    struct chunk chunk;
    if (result == 0)
        result = chunk_loss(&chunk, &place, missing, "rows missing in the imported file");
    return result < 0 ? result : append(write, &chunk, place.first_scan, write->grid.scan);
}

/* A clock anchor where the line from the last one has left the grid. */
static int follow_clock(struct import_write *write) {
    double period_s = write->survey->period_s;
    double off_s = write->grid.time_s - scan_time(write, write->grid.scan);
    if (write->anchored && fabs(off_s) <= ANCHOR_OFF * period_s)
        return 0;
    int result = flush_block(write);
    if (result < 0)
        return result;
    write->anchored = true;
    write->anchor_scan = write->grid.scan;
    write->anchor_s = write->grid.time_s;
    struct chunk_clock clock = {.place = {.first_scan = write->anchor_scan},
                                .elapsed_ns = nanoseconds(write->anchor_s),
                                .wall_ns = write->wall_ns + nanoseconds(write->anchor_s),
                                .rate_hz = 1 / period_s,
                                .error_ns = write->survey->worst_jitter * period_s * 1e9};
    struct chunk chunk;
    result = chunk_clock_make(&chunk, &clock);
    return result < 0 ? result : append(write, &chunk, write->anchor_scan, write->anchor_scan);
}

static int add_values(struct import_write *write, const struct import_row *row) {
    if (write->scans == 0)
        write->first_scan = write->grid.scan;
    for (size_t i = 0; i < write->inputs; i++) {
        const struct import_field *field = &row->field[i + 1];
        struct import_decimal decimal;
        int64_t counts;
        if (import_decimal_read(field->text, field->length, &decimal) < 0 || decimal.rounded ||
            import_decimal_whole(&decimal, write->survey->columns[i].decimals, &counts) < 0 ||
            counts < INT32_MIN || counts > INT32_MAX)
            return -ESTALE;
        write->samples[i * write->block_scans + write->scans] = (int32_t)counts;
    }
    write->scans++;
    return write->scans == write->block_scans ? flush_block(write) : 0;
}

int import_write_row(void *context, const struct import_row *row) {
    struct import_write *write = context;
    struct import_decimal time;
    struct import_step step;
    if (!write->has_header) {
        write->has_header = true;
        return 0;
    }
    if (row->count != write->inputs + 1 ||
        import_decimal_read(row->field[0].text, row->field[0].length, &time) < 0 ||
        import_grid_place(&write->grid, import_decimal_double(&time), &step) != IMPORT_PLACED)
        return -ESTALE;
    write->rows++;
    int result = step.missing ? write_loss(write, step.missing) : 0;
    if (result == 0)
        result = follow_clock(write);
    return result < 0 ? result : add_values(write, row);
}

int import_write_broken(void *context, unsigned line, const char *what) {
    (void)context;
    (void)line;
    (void)what;
    return -ESTALE; /* the survey has let none pass */
}

int import_write_finish(struct import_write *write) {
    if (write->rows != write->survey->rows)
        return -ESTALE;
    return flush_block(write);
}
