// SPDX-License-Identifier: Apache-2.0
/*
 * board_record.c - keeps a board's bytes, and writes them with what is in them.
 */
#include "board_record.h"

#include "board_file.h"

#include <errno.h>
#include <inttypes.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define BYTES_A_LINE 32

struct board_record {
    size_t limit, used;
    bool closed;
    uint8_t bytes[];
};

int board_record_new(size_t limit, struct board_record **record) {
    struct board_record *made = malloc(sizeof *made + limit);
    if (!made)
        return -ENOMEM;
    *made = (struct board_record){.limit = limit};
    *record = made;
    return 0;
}

void board_record_free(struct board_record *record) {
    free(record);
}

void board_record_add(struct board_record *record, const uint8_t *bytes, size_t count) {
    size_t room = record->closed ? 0 : record->limit - record->used;
    size_t part = count < room ? count : room;
    memcpy(record->bytes + record->used, bytes, part);
    record->used += part;
}

void board_record_hole(struct board_record *record) {
    record->closed = true;
}

size_t board_record_bytes(const struct board_record *record) {
    return record->used;
}

/* ---- writing ---- */

/* Makes BASE.ENDING; NULL and errno where it is there already or cannot be. */
static FILE *make(const char *base, const char *ending, char *path, size_t size) {
    (void)snprintf(path, size, "%s.%s", base, ending);
    return fopen(path, "wx");
}

static int finish(FILE *file) {
    bool bad = ferror(file) != 0;
    return fclose(file) != 0 || bad ? -EIO : 0;
}

static int write_bytes(const struct board_record *record, FILE *file) {
    for (size_t i = 0; i < record->used; i++)
        fprintf(file, "%02x%c", record->bytes[i],
                i % BYTES_A_LINE == BYTES_A_LINE - 1 || i + 1 == record->used ? '\n' : ' ');
    return finish(file);
}

struct writer {
    FILE *file;
    const struct board_driver *driver;
    struct board *board;
    struct board_description description;
};

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    struct writer *writer = context;
    size_t inputs = writer->description.inputs;
    for (size_t i = 0; i < scans * inputs; i++)
        fprintf(writer->file, "%" PRId32 "%c", counts[i], (i + 1) % inputs == 0 ? '\n' : ',');
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    const struct writer *writer = context;
    fprintf(writer->file, "lost %" PRId64 " %s\n", (int64_t)scans, board_loss_name(reason));
}

static void on_note(void *context, enum board_note note, int64_t value) {
    struct writer *writer = context;
    (void)value;
    if (note == BOARD_NOTE_DESCRIBED)
        (void)writer->driver->describe(writer->board, &writer->description);
}

static int write_scans(const struct board_record *record, const struct hookup_board *board,
                       FILE *file) {
    struct writer writer = {.file = file, .driver = board->driver};
    const struct board_sinks sinks = {&writer, on_samples, on_loss, on_note};
    struct board_bytes request;
    int result = writer.driver->open(&board->settings, &sinks, &writer.board, NULL, 0);
    if (result == 0)
        result = writer.driver->start(writer.board, &request);
    if (result == 0) {
        (void)writer.driver->describe(writer.board, &writer.description);
        (void)writer.driver->consume(writer.board, record->bytes, record->used);
    }
    writer.driver->close(writer.board);
    int finished = finish(file);
    return result < 0 ? result : finished;
}

static int copy_file(const char *from, FILE *file) {
    char part[4096];
    FILE *source = fopen(from, "r");
    int result = source ? 0 : -errno;
    for (size_t count; source && (count = fread(part, 1, sizeof part, source)) > 0;)
        (void)fwrite(part, 1, count, file);
    if (source)
        fclose(source);
    int finished = finish(file);
    return result < 0 ? result : finished;
}

static int write_settings(const struct hookup_board *board, FILE *file) {
    fprintf(file, "driver=%s\n", board->driver->name);
    for (size_t i = 0; i < board->settings.count; i++)
        fprintf(file, "%s=%s\n", board->settings.setting[i].name, board->settings.setting[i].value);
    return finish(file);
}

int board_record_save(const struct board_record *record, const struct hookup_board *board,
                      const char *base, const char *board_file, char *path, size_t size) {
    FILE *file = make(base, "bytes", path, size);
    int result = file ? write_bytes(record, file) : -errno;
    if (result < 0)
        return result;
    file = make(base, "scans", path, size);
    result = file ? write_scans(record, board, file) : -errno;
    if (result < 0)
        return result;
    file = make(base, board_file ? "board" : "settings", path, size);
    if (!file)
        return -errno;
    return board_file ? copy_file(board_file, file) : write_settings(board, file);
}
