// SPDX-License-Identifier: Apache-2.0
/*
 * export_npy.c - one structured array, by the format's own description: version 1.0, or 3.0 where a
 * name is not ASCII; little-endian; the head is written again when the number of rows is known.
 */
#include "export_about.h"
#include "export_format.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define ALIGNED 64 /* the data begins at a multiple of it */

struct npy {
    const struct export_table *table;
    const char *companion;
    struct export_rows rows;
    FILE *stream;
    size_t head_length; /* of all before the data */
};

/* A name as a Python string. */
static void put_name(FILE *to, const char *name) {
    fputc('\'', to);
    for (; *name; name++) {
        if (*name == '\'' || *name == '\\')
            fputc('\\', to);
        fputc(*name, to);
    }
    fputc('\'', to);
}

/* As many digits for any number of rows: the head must not grow. Allocated. */
static char *description(const struct npy *npy) {
    char *text = NULL;
    size_t length = 0;
    FILE *to = open_memstream(&text, &length);
    if (!to)
        return NULL;
    fputs("{'descr': [('time_s', '<f8')", to);
    for (size_t i = 0; i < npy->table->columns; i++) {
        fputs(", (", to);
        put_name(to, npy->table->column[i]->name);
        fprintf(to, ", '%s')", npy->table->counts ? "<i4" : "<f8");
    }
    fprintf(to, "], 'fortran_order': False, 'shape': (%" PRIu64 ",), }", npy->rows.rows);
    if (fclose(to) != 0) {
        free(text);
        return NULL;
    }
    return text;
}

static bool is_ascii(const char *text) {
    while (*text && !(*text & 0x80))
        text++;
    return *text == '\0';
}

/* Of the length that the first one had; room for 20 digits is left then. */
static int write_head(struct npy *npy) {
    char *text = description(npy);
    if (!text)
        return -ENOMEM;
    bool ascii = is_ascii(text);
    size_t before = ascii ? 10 : 12;
    size_t length = strlen(text);
    if (npy->head_length == 0)
        npy->head_length = (before + length + 20 + 1 + ALIGNED - 1) / ALIGNED * ALIGNED;
    size_t rest = npy->head_length - before; /* counted in the head */
    unsigned char magic[12] = {0x93, 'N', 'U', 'M', 'P', 'Y', ascii ? 1 : 3, 0};
    for (size_t i = 0; i < before - 8; i++)
        magic[8 + i] = (unsigned char)(rest >> (8 * i));
    fwrite(magic, before, 1, npy->stream);
    fprintf(npy->stream, "%s%*s\n", text, (int)(rest - length - 1), "");
    free(text);
    return fflush(npy->stream) != 0 ? -errno : 0;
}

static int npy_run(void *writer, const struct record_run *run) {
    struct npy *npy = writer;
    const struct export_table *table = npy->table;
    unsigned char row[8 * (BOARD_INPUTS_MAX + 1)];
    (void)export_rows_take(&npy->rows, run, false);
    for (size_t scan = 0; scan < run->scans; scan++) {
        double time_s = run->time_s + (double)scan * run->period_s;
        unsigned char *to = export_put_double(row, time_s);
        for (size_t i = 0; i < table->columns; i++) {
            int32_t count = run->counts[table->column[i]->input][scan];
            to = table->counts
                     ? export_put_int32(to, count)
                     : export_put_double(to, scale_value(&table->column[i]->scale, count));
        }
        if (fwrite(row, (size_t)(to - row), 1, npy->stream) != 1)
            return -errno;
    }
    return 0;
}

static int npy_finish(void *writer) {
    struct npy *npy = writer;
    int result = fseeko(npy->stream, 0, SEEK_SET) < 0 ? -errno : write_head(npy);
    if (result == 0 && fsync(fileno(npy->stream)) < 0)
        result = -errno;
    if (fclose(npy->stream) != 0 && result == 0)
        result = -errno;
    npy->stream = NULL;
    return result < 0 ? result : export_about_write(npy->table, &npy->rows, NULL, npy->companion);
}

static void npy_free(void *writer) {
    struct npy *npy = writer;
    if (npy && npy->stream)
        (void)fclose(npy->stream);
    free(npy);
}

static int npy_begin(const struct export_table *table, const char *path, const char *companion,
                     void **writer) {
    struct npy *npy = calloc(1, sizeof *npy);
    if (!npy)
        return -ENOMEM;
    *npy = (struct npy){.table = table, .companion = companion, .rows = export_rows_begin()};
    npy->stream = fopen(path, "wxe");
    int result = npy->stream ? write_head(npy) : -errno;
    if (result < 0) {
        npy_free(npy);
        return result;
    }
    *writer = npy;
    return 0;
}

const struct export_format export_npy = {
    .extension = ".npy",
    .companion = ".json",
    .begin = npy_begin,
    .run = npy_run,
    .finish = npy_finish,
    .free = npy_free,
};
