// SPDX-License-Identifier: Apache-2.0
/*
 * import.c - CSV to a container: survey, head, blocks, and the file under its final name.
 */
#include "import.h"

#include "head.h"
#include "import_survey.h"
#include "import_write.h"

#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define READ_BYTES (1U << 20)

/* Times above it (September 2001) are taken as seconds since 1970: wall time itself. */
#define WALL_TIME_FROM_S 1e9

struct import {
    const char *csv;
    const char *out;
    char *part; /* the name it has until it is whole */
    int file;
    struct stat status;
    void (*progress)(void *context, double share);
    void *context;
    struct problems *problems;
    struct hookup *hookup;
    struct import_survey survey;
};

/* Says what could not be done, and gives the error on. */
static int fail(struct import *import, const char *where, const char *what, int error) {
    int added = problems_add(import->problems, 0, where, NULL, "%s: %s", what, strerror(-error));
    return added < 0 ? added : error;
}

/* ---- reading the file, once a pass ---- */

static int open_csv(struct import *import) {
    import->file = open(import->csv, O_RDONLY | O_CLOEXEC);
    if (import->file < 0)
        return fail(import, NULL, "cannot be read", -errno);
    if (fstat(import->file, &import->status) < 0)
        return fail(import, NULL, "cannot be read", -errno);
    if (!S_ISREG(import->status.st_mode)) {
        int added = problems_add(import->problems, 0, NULL, NULL,
                                 "is no file: it is read twice, so write it into one first");
        return added < 0 ? added : -ESPIPE;
    }
    return 0;
}

/* Reads it from the beginning through `sinks`; `from`..`to` is the pass's share of the whole. */
static int read_through(struct import *import, const struct import_rows_sinks *sinks, double from,
                        double to) {
    struct import_rows *rows = NULL;
    char *bytes = malloc(READ_BYTES);
    int result = bytes ? import_rows_new(sinks, &rows) : -ENOMEM;
    off_t at = 0;
    while (result == 0) {
        ssize_t got = pread(import->file, bytes, READ_BYTES, at);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            result = fail(import, NULL, "cannot be read", -errno);
        if (got <= 0)
            break;
        at += got;
        result = import_rows_push(rows, bytes, (size_t)got);
        double share = fmin((double)at / fmax((double)import->status.st_size, 1), 1);
        if (import->progress)
            import->progress(import->context, from + (to - from) * share);
    }
    if (result == 0)
        result = import_rows_finish(rows);
    import_rows_free(rows);
    free(bytes);
    return result;
}

static int survey(struct import *import) {
    import_survey_begin(&import->survey, import->hookup, import->problems);
    struct import_rows_sinks sinks = {
        .context = &import->survey, .row = import_survey_row, .broken = import_survey_broken};
    int result = read_through(import, &sinks, 0, 0.5);
    return result < 0 ? result : import_survey_finish(&import->survey);
}

/* ---- what the head says ---- */

/* Bits that hold every count of the column, with a sign. */
static unsigned bits_of(const struct import_column *column) {
    unsigned bits = 1;
    while (bits < 32 && (column->highest > (INT64_C(1) << (bits - 1)) - 1 ||
                         column->lowest < -(INT64_C(1) << (bits - 1))))
        bits++;
    return bits;
}

static int fit(struct import *import, struct head_stream *stream) {
    const struct import_survey *found = &import->survey;
    *stream = (struct head_stream){
        .name = "import", .driver = "import", .rate_hz = 1 / found->period_s, .described = true};
    struct board_description *description = &stream->description;
    description->inputs = found->column_count;
    description->rate_hz = stream->rate_hz;
    for (size_t i = 0; i < found->column_count; i++) {
        const struct import_column *column = &found->columns[i];
        description->bits[i] = bits_of(column);
        description->rail_low[i] = 1; /* above rail_high: not known */
        description->volts_per_count[i] = 1 / pow(10, column->decimals);
        struct scale scale = scale_line(description->volts_per_count[i], 0);
        int result = hookup_fit_import(import->hookup, column->channel, 0, i, &scale);
        if (result < 0)
            return result;
    }
    return 0;
}

/* Wall time of second 0: the rows' own, or else the file's date is taken as the last row's. */
static int64_t wall_of_zero(const struct import *import) {
    const struct import_survey *found = &import->survey;
    if (found->first_s >= WALL_TIME_FROM_S)
        return 0;
    const struct timespec *written = &import->status.st_mtim;
    return (int64_t)written->tv_sec * 1000000000 + written->tv_nsec - llround(found->last_s * 1e9);
}

/* ---- writing ---- */

static int write_blocks(struct import *import, struct container_writer *container) {
    struct import_write *write = NULL;
    int result = import_write_new(&import->survey, wall_of_zero(import), container, &write);
    if (result < 0)
        return result;
    struct import_rows_sinks sinks = {
        .context = write, .row = import_write_row, .broken = import_write_broken};
    result = read_through(import, &sinks, 0.5, 1);
    if (result == 0)
        result = import_write_finish(write);
    import_write_free(write);
    return result;
}

/* Makes the rename itself durable. */
static int sync_folder(const char *path) {
    char *copy = strdup(path);
    if (!copy)
        return -ENOMEM;
    int folder = open(dirname(copy), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    int result = folder < 0 || fsync(folder) < 0 ? -errno : 0;
    if (result == -EINVAL) /* a file system that cannot sync folders; the data is safe */
        result = 0;
    if (folder >= 0)
        close(folder);
    free(copy);
    return result;
}

static int write_part(struct import *import, const char *head) {
    struct container_writer *container = NULL;
    (void)unlink(import->part); /* of an import that was cut short */
    int result = container_create(import->part, head, &container);
    if (result < 0)
        return result;
    result = write_blocks(import, container);
    int closed = container_close(container, result == 0);
    return result < 0 ? result : closed;
}

static int write_out(struct import *import) {
    struct head_stream stream;
    char *head = NULL;
    int result = fit(import, &stream);
    if (result == 0)
        result = head_format(import->hookup, 1, &stream, &head);
    if (result < 0)
        return result;
    result = write_part(import, head);
    free(head);
    if (result == 0 && rename(import->part, import->out) < 0)
        result = -errno;
    if (result == 0)
        return sync_folder(import->out);
    (void)unlink(import->part);
    if (result == -ESTALE)
        return fail(import, NULL, "the file changed while it was read", result);
    /* What could not be read is told already. */
    return import->problems->count ? result
                                   : fail(import, import->out, "cannot be written", result);
}

/* ---- all of it ---- */

static int load_hookup(struct import *import, const char *path, int *hookup_wrong) {
    int result = hookup_load(path, HOOKUP_FOR_IMPORT, &import->hookup, import->problems);
    if (result == 0)
        return 0;
    *hookup_wrong = 1;
    return import->problems->count ? result : fail(import, NULL, "cannot be read", result);
}

static void tell(const struct import_survey *found, struct import_result *result) {
    *result = (struct import_result){.rows = found->rows,
                                     .channels = found->column_count,
                                     .rate_hz = 1 / found->period_s,
                                     .worst_jitter = found->worst_jitter,
                                     .missing = found->missing};
}

int import_csv(const char *csv, const char *hookup_path, const char *out,
               void (*progress)(void *context, double share), void *context,
               struct import_result *result, struct problems *problems, int *hookup_wrong) {
    struct import *import = calloc(1, sizeof *import);
    if (!import)
        return -ENOMEM;
    *import = (struct import){.csv = csv,
                              .out = out,
                              .file = -1,
                              .progress = progress,
                              .context = context,
                              .problems = problems};
    *hookup_wrong = 0;
    int error = asprintf(&import->part, "%s.part", out) < 0 ? -ENOMEM : 0;
    if (error < 0)
        import->part = NULL;
    if (error == 0)
        error = load_hookup(import, hookup_path, hookup_wrong);
    if (error == 0)
        error = open_csv(import);
    if (error == 0)
        error = survey(import);
    if (error == 0)
        error = write_out(import);
    if (error == 0)
        tell(&import->survey, result);
    if (import->file >= 0)
        close(import->file);
    hookup_free(import->hookup);
    free(import->part);
    free(import);
    return error;
}
