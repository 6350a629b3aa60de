// SPDX-License-Identifier: Apache-2.0
/*
 * export_wav.c - a channel of sound for each of the board's: values as 64-bit floats, counts as
 * 32-bit integers. Beyond 4 GiB the file is RF64 (EBU Tech 3306).
 *
 * Sound has no times: rows that are missing are filled, so that a row's number times the true
 * period is its time. The head's rate is a whole number; the true one is in the JSON beside it.
 */
#include "export_about.h"
#include "export_format.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <sndfile.h>
#include <stdlib.h>
#include <unistd.h>

#define FRAMES 128 /* written at once */

struct wav {
    const struct export_table *table;
    const char *companion;
    struct export_rows rows;
    SNDFILE *sound;
    int file;
};

static int write_values(struct wav *wav, const struct record_run *run, size_t first, size_t count) {
    const struct export_table *table = wav->table;
    double values[FRAMES * BOARD_INPUTS_MAX];
    double *to = values;
    for (size_t scan = first; scan < first + count; scan++)
        for (size_t i = 0; i < table->columns; i++)
            *to++ = run ? scale_value(&table->column[i]->scale,
                                      run->counts[table->column[i]->input][scan])
                        : (double)NAN;
    return sf_writef_double(wav->sound, values, (sf_count_t)count) == (sf_count_t)count ? 0 : -EIO;
}

static int write_counts(struct wav *wav, const struct record_run *run, size_t first, size_t count) {
    const struct export_table *table = wav->table;
    int counts[FRAMES * BOARD_INPUTS_MAX];
    int *to = counts;
    for (size_t scan = first; scan < first + count; scan++)
        for (size_t i = 0; i < table->columns; i++)
            *to++ = run ? run->counts[table->column[i]->input][scan] : INT32_MIN;
    return sf_writef_int(wav->sound, counts, (sf_count_t)count) == (sf_count_t)count ? 0 : -EIO;
}

/* `run` NULL: rows that are missing. */
static int write_rows(struct wav *wav, const struct record_run *run, uint64_t count) {
    int result = 0;
    for (uint64_t first = 0; first < count && result == 0; first += FRAMES) {
        size_t part = count - first < FRAMES ? (size_t)(count - first) : FRAMES;
        errno = 0;
        result = wav->table->counts ? write_counts(wav, run, (size_t)first, part)
                                    : write_values(wav, run, (size_t)first, part);
        if (result < 0 && errno)
            result = -errno;
    }
    return result;
}

static int wav_run(void *writer, const struct record_run *run) {
    struct wav *wav = writer;
    uint64_t missing = export_rows_take(&wav->rows, run, true);
    int result = write_rows(wav, NULL, missing);
    return result < 0 ? result : write_rows(wav, run, run->scans);
}

static int wav_finish(void *writer) {
    struct wav *wav = writer;
    errno = 0;
    int closed = sf_close(wav->sound);
    wav->sound = NULL;
    if (closed != 0)
        return errno ? -errno : -EIO;
    if (fsync(wav->file) < 0)
        return -errno;
    return export_about_write(wav->table, &wav->rows,
                              wav->table->counts ? "-2147483648" : "not a number", wav->companion);
}

static void wav_free(void *writer) {
    struct wav *wav = writer;
    if (!wav)
        return;
    if (wav->sound)
        (void)sf_close(wav->sound);
    if (wav->file >= 0)
        (void)close(wav->file);
    free(wav);
}

/* A whole number of at least 1: the claimed rate, near enough for a player. */
static int whole_rate(const struct export_table *table) {
    double rate = round(table->board->rate_hz);
    return rate >= 1 && rate < INT32_MAX ? (int)rate : 1;
}

static int wav_begin(const struct export_table *table, const char *path, const char *companion,
                     void **writer) {
    struct wav *wav = calloc(1, sizeof *wav);
    if (!wav)
        return -ENOMEM;
    *wav = (struct wav){.table = table, .companion = companion, .rows = export_rows_begin()};
    SF_INFO info = {.samplerate = whole_rate(table),
                    .channels = (int)table->columns,
                    .format =
                        SF_FORMAT_RF64 | (table->counts ? SF_FORMAT_PCM_32 : SF_FORMAT_DOUBLE)};
    wav->file = open(path, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
    int result = wav->file < 0 ? -errno : 0;
    if (result == 0) {
        wav->sound = sf_open_fd(wav->file, SFM_WRITE, &info, SF_FALSE);
        result = wav->sound ? 0 : -EIO;
    }
    if (result < 0) {
        wav_free(wav);
        return result;
    }
    /* Back to plain WAV at the end where it fits: what more programs read. */
    (void)sf_command(wav->sound, SFC_RF64_AUTO_DOWNGRADE, NULL, SF_TRUE);
    *writer = wav;
    return 0;
}

const struct export_format export_wav = {
    .extension = ".wav",
    .companion = ".json",
    .begin = wav_begin,
    .run = wav_run,
    .finish = wav_finish,
    .free = wav_free,
};
