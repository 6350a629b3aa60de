// SPDX-License-Identifier: Apache-2.0
/*
 * export.c - from a record to one file a board: names, the one pass over the runs, and the files
 * under their final names.
 */
#include "export.h"

#include "board_limits.h"
#include "export_format.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const struct export_format *const formats[] = {&export_csv, &export_npy, &export_wav,
                                                      &export_comtrade, &export_hdf5};

/* One of the files. */
struct target {
    struct export_table table;
    struct export_file file;
    char *part;                       /* the name it has until it is whole */
    char *companion, *companion_part; /* of a second file; NULL: none */
    void *writer;
    bool created; /* .part is there */
};

struct export {
    struct playback *playback;
    const struct record *record;
    const struct export_format *format;
    const struct export_settings *settings;
    size_t count;
    struct target *targets;
    char *why;
    size_t why_size;
};

static int fail(struct export *export, int error, const char *path, const char *what) {
    if (export->why_size)
        snprintf(export->why, export->why_size, "%s: %s", path, what ? what : strerror(-error));
    return error;
}

/* ---- numbers ---- */

static unsigned char *put_bytes(unsigned char *to, uint64_t bits, size_t bytes) {
    for (size_t i = 0; i < bytes; i++)
        *to++ = (unsigned char)(bits >> (8 * i));
    return to;
}

unsigned char *export_put_double(unsigned char *to, double value) {
    uint64_t bits;
    memcpy(&bits, &value, sizeof bits);
    return put_bytes(to, bits, 8);
}

unsigned char *export_put_int32(unsigned char *to, int32_t value) {
    return put_bytes(to, (uint32_t)value, 4);
}

unsigned char *export_put_int16(unsigned char *to, int32_t value) {
    return put_bytes(to, (uint32_t)value, 2);
}

/* ---- which files ---- */

static int find_format(struct export *export, const char *out) {
    char known[128] = "";
    size_t length = strlen(out);
    for (size_t i = 0; i < sizeof formats / sizeof *formats; i++) {
        size_t extension = strlen(formats[i]->extension);
        if (length > extension && strcmp(out + length - extension, formats[i]->extension) == 0) {
            export->format = formats[i];
            return 0;
        }
        snprintf(known + strlen(known), sizeof known - strlen(known), " %s", formats[i]->extension);
    }
    if (export->why_size)
        snprintf(export->why, export->why_size,
                 "%s: the end of the name says the format, and this one is not known; known:%s",
                 out, known);
    return -ENOTSUP;
}

static void add_column(struct target *target, const struct vehicle_channel *channel) {
    struct export_table *table = &target->table;
    const struct head_stream *board = table->board;
    bool told = board->described && channel->input < board->description.inputs;
    if (table->columns == BOARD_INPUTS_MAX)
        return;
    table->bits[table->columns] = told ? board->description.bits[channel->input] : 32;
    table->column[table->columns++] = channel;
}

/* A target for every board that has a channel. */
static int choose_targets(struct export *export) {
    const struct head *head = playback_head(export->playback);
    const struct vehicle *vehicle = export->record->vehicle;
    export->targets = calloc(head->stream_count + 1, sizeof *export->targets);
    if (!export->targets)
        return -ENOMEM;
    for (size_t stream = 0; stream < head->stream_count; stream++) {
        struct target *target = &export->targets[export->count];
        *target = (struct target){.table = {.playback = export->playback,
                                            .record = export->record,
                                            .board = &head->streams[stream],
                                            .stream = stream,
                                            .counts = export->settings->counts},
                                  .file = {.board = head->streams[stream].name}};
        for (size_t i = 0; i < vehicle->channel_count; i++)
            if (vehicle->channels[i].stream == stream)
                add_column(target, &vehicle->channels[i]);
        target->file.channels = target->table.columns;
        export->count += target->table.columns > 0;
    }
    return export->count ? 0 : -ENODATA;
}

static int name_target(struct export *export, struct target *target, const char *out) {
    const char *extension = export->format->extension;
    int stem = (int)(strlen(out) - strlen(extension));
    bool several = export->count > 1;
    if (asprintf(&target->file.path, "%.*s%s%s%s", stem, out, several ? "-" : "",
                 several ? target->file.board : "", extension) < 0) {
        target->file.path = NULL;
        return -ENOMEM;
    }
    if (asprintf(&target->part, "%s.part", target->file.path) < 0) {
        target->part = NULL;
        return -ENOMEM;
    }
    if (export->format->companion &&
        asprintf(&target->companion, "%.*s%s%s%s", stem, out, several ? "-" : "",
                 several ? target->file.board : "", export->format->companion) < 0) {
        target->companion = NULL;
        return -ENOMEM;
    }
    if (target->companion && asprintf(&target->companion_part, "%s.part", target->companion) < 0) {
        target->companion_part = NULL;
        return -ENOMEM;
    }
    const char *there = access(target->file.path, F_OK) == 0 ? target->file.path
                        : target->companion && access(target->companion, F_OK) == 0
                            ? target->companion
                            : NULL;
    if (there)
        return fail(export, -EEXIST, there,
                    "is there already, and nothing is overwritten: take another name or remove it");
    return 0;
}

static int begin(struct export *export, const char *out) {
    int result = choose_targets(export);
    for (size_t i = 0; result == 0 && i < export->count; i++)
        result = name_target(export, &export->targets[i], out);
    for (size_t i = 0; result == 0 && i < export->count; i++) {
        struct target *target = &export->targets[i];
        (void)unlink(target->part); /* of one that was cut short */
        if (target->companion_part)
            (void)unlink(target->companion_part);
        result = export->format->begin(&target->table, target->part, target->companion_part,
                                       &target->writer);
        target->created = result != -EEXIST;
        if (result < 0)
            return fail(export, result, target->file.path, NULL);
    }
    return result;
}

/* ---- the rows ---- */

static int write_run(struct export *export, const struct record_run *run) {
    for (size_t i = 0; i < export->count; i++) {
        struct target *target = &export->targets[i];
        if (target->table.stream != run->stream)
            continue;
        target->file.rows += run->scans;
        int result = export->format->run(target->writer, run);
        return result < 0 ? fail(export, result, target->file.path, NULL) : 0;
    }
    return 0;
}

static int write_runs(struct export *export) {
    const struct record *record = export->record;
    const struct export_settings *settings = export->settings;
    double length_s = fmax(record->to_s - record->from_s, 1e-9);
    struct record_run run;
    int result = record->seek(record->context, record->from_s);
    while (result == 0) {
        result = record->next(record->context, &run);
        if (result < 0)
            return fail(export, result, "the record cannot be read", NULL);
        if (result == 0)
            return 0;
        result = write_run(export, &run);
        if (settings->progress)
            settings->progress(settings->context,
                               fmin(fmax((run.time_s - record->from_s) / length_s, 0), 1));
    }
    return result;
}

/* ---- the end ---- */

static void count_losses(struct target *target) {
    const struct record *record = target->table.record;
    const struct record_loss *losses;
    size_t count = record->losses(record->context, &losses);
    for (size_t i = 0; i < count; i++) {
        if (losses[i].stream != target->table.stream || report_is_pause(&losses[i]))
            continue;
        target->file.losses++;
        if (losses[i].scans != RECORD_LOSS_UNKNOWN)
            target->file.missing += losses[i].scans;
    }
    struct report_pauses pauses;
    report_pauses(losses, count, target->table.stream, &pauses);
    target->file.pauses = pauses.count;
    target->file.pauses_s = pauses.seconds;
}

/* Gives the whole file its name, unless another one has got it meanwhile. */
static int rename_new(const char *part, const char *path) {
    if (renameat2(AT_FDCWD, part, AT_FDCWD, path, RENAME_NOREPLACE) == 0)
        return 0;
    if (errno != EINVAL && errno != ENOSYS)
        return -errno;
    if (access(path, F_OK) == 0) /* a file system that cannot do both in one */
        return -EEXIST;
    return rename(part, path) < 0 ? -errno : 0;
}

/* The companion first: who sees the file finds it. */
static int name_files(struct export *export, struct target *target) {
    int result = target->companion ? rename_new(target->companion_part, target->companion) : 0;
    if (result < 0)
        return fail(export, result, target->companion, NULL);
    result = rename_new(target->part, target->file.path);
    if (result < 0) {
        if (target->companion)
            (void)unlink(target->companion);
        return fail(export, result, target->file.path, NULL);
    }
    target->created = false;
    return 0;
}

static int finish(struct export *export) {
    uint64_t rows = 0;
    for (size_t i = 0; i < export->count; i++)
        rows += export->targets[i].file.rows;
    if (rows == 0)
        return fail(export, -ENODATA, export->targets[0].file.path,
                    "not written: no scan is in that stretch");
    for (size_t i = 0; i < export->count; i++) {
        struct target *target = &export->targets[i];
        count_losses(target);
        int result = export->format->finish(target->writer);
        if (result < 0)
            return fail(export, result, target->file.path, NULL);
    }
    for (size_t i = 0; i < export->count; i++) {
        int result = name_files(export, &export->targets[i]);
        if (result < 0)
            return result;
    }
    return 0;
}

static int hand_over(struct export *export, struct export_result *result) {
    struct export_file *files = calloc(export->count, sizeof *files);
    if (!files)
        return -ENOMEM;
    for (size_t i = 0; i < export->count; i++) {
        files[i] = export->targets[i].file;
        export->targets[i].file.path = NULL;
    }
    *result = (struct export_result){.count = export->count, .files = files};
    return 0;
}

static void export_done(struct export *export) {
    for (size_t i = 0; i < export->count; i++) {
        struct target *target = &export->targets[i];
        export->format->free(target->writer);
        if (target->created && target->part)
            (void)unlink(target->part);
        if (target->created && target->companion_part)
            (void)unlink(target->companion_part);
        free(target->companion_part);
        free(target->companion);
        free(target->part);
        free(target->file.path);
    }
    free(export->targets);
}

static void narrow(struct export *export) {
    const struct export_settings *settings = export->settings;
    int64_t zero = playback_elapsed_ns(export->playback);
    int64_t from = isfinite(settings->from_s) ? zero + llround(settings->from_s * 1e9) : INT64_MIN;
    int64_t to = isfinite(settings->to_s) ? zero + llround(settings->to_s * 1e9) : INT64_MAX;
    playback_narrow(export->playback, from, to);
}

int export_record(struct playback *playback, const char *out,
                  const struct export_settings *settings, struct export_result *result, char *why,
                  size_t why_size) {
    struct export export = {.playback = playback,
                            .record = playback_record(playback),
                            .settings = settings,
                            .why = why,
                            .why_size = why_size};
    if (why_size)
        why[0] = '\0';
    int error = find_format(&export, out);
    if (error < 0)
        return error;
    narrow(&export);
    error = begin(&export, out);
    if (error == 0)
        error = write_runs(&export);
    if (error == 0)
        error = finish(&export);
    if (error == 0)
        error = hand_over(&export, result);
    if (error < 0 && why_size && !why[0])
        snprintf(why, why_size, "%s: %s", out,
                 error == -ENODATA ? "not written: the record has no channel" : strerror(-error));
    export_done(&export);
    return error;
}

void export_result_done(struct export_result *result) {
    for (size_t i = 0; i < result->count; i++)
        free(result->files[i].path);
    free(result->files);
    *result = (struct export_result){0};
}
