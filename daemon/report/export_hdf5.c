// SPDX-License-Identifier: Apache-2.0
/*
 * export_hdf5.c - a data set for the times and one for each channel, all of the same length, with
 * what else is to be known as JSON in the file's attribute "about".
 */
#include "export_about.h"
#include "export_format.h"

#include <errno.h>
#include <fcntl.h>
#include <hdf5.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define CHUNK 16384 /* rows */

struct hdf5 {
    const struct export_table *table;
    struct export_rows rows;
    char *path;
    hid_t file;
    hid_t sets[BOARD_INPUTS_MAX + 1]; /* times, then the columns; < 0: none */
    size_t room;                      /* of `numbers` */
    double *numbers;                  /* a run's */
};

static hid_t make_set(hid_t file, const char *name, hid_t type) {
    hsize_t none = 0, unlimited = H5S_UNLIMITED, chunk = CHUNK;
    hid_t space = H5Screate_simple(1, &none, &unlimited);
    hid_t how = H5Pcreate(H5P_DATASET_CREATE);
    hid_t set = -1;
    if (H5Pset_chunk(how, 1, &chunk) >= 0)
        set = H5Dcreate2(file, name, type, space, H5P_DEFAULT, how, H5P_DEFAULT);
    (void)H5Pclose(how);
    (void)H5Sclose(space);
    return set;
}

/* A text of any length as an attribute. */
static int put_text(hid_t on, const char *name, const char *text) {
    hid_t type = H5Tcopy(H5T_C_S1);
    hid_t space = H5Screate(H5S_SCALAR);
    hid_t attribute = -1;
    int result = -EIO;
    if (H5Tset_size(type, H5T_VARIABLE) >= 0 && H5Tset_cset(type, H5T_CSET_UTF8) >= 0)
        attribute = H5Acreate2(on, name, type, space, H5P_DEFAULT, H5P_DEFAULT);
    if (attribute >= 0 && H5Awrite(attribute, type, &text) >= 0)
        result = 0;
    if (attribute >= 0)
        (void)H5Aclose(attribute);
    (void)H5Sclose(space);
    (void)H5Tclose(type);
    return result;
}

/* Puts `count` numbers behind the `before` that are there. */
static int append(hid_t set, hid_t type, uint64_t before, size_t count, const void *numbers) {
    hsize_t from = before, length = count, all = before + count;
    if (H5Dset_extent(set, &all) < 0)
        return -EIO;
    hid_t on_disk = H5Dget_space(set);
    hid_t in_memory = H5Screate_simple(1, &length, NULL);
    int result = -EIO;
    if (H5Sselect_hyperslab(on_disk, H5S_SELECT_SET, &from, NULL, &length, NULL) >= 0 &&
        H5Dwrite(set, type, in_memory, on_disk, H5P_DEFAULT, numbers) >= 0)
        result = 0;
    (void)H5Sclose(in_memory);
    (void)H5Sclose(on_disk);
    return result;
}

static int make_room(struct hdf5 *hdf5, size_t scans) {
    if (scans <= hdf5->room)
        return 0;
    double *grown = realloc(hdf5->numbers, scans * sizeof *grown);
    if (!grown)
        return -ENOMEM;
    hdf5->numbers = grown;
    hdf5->room = scans;
    return 0;
}

static int append_column(struct hdf5 *hdf5, size_t column, uint64_t before,
                         const struct record_run *run) {
    const struct vehicle_channel *channel = hdf5->table->column[column];
    const int32_t *counts = run->counts[channel->input];
    hid_t set = hdf5->sets[column + 1];
    if (hdf5->table->counts)
        return append(set, H5T_NATIVE_INT32, before, run->scans, counts);
    for (size_t scan = 0; scan < run->scans; scan++)
        hdf5->numbers[scan] = scale_value(&channel->scale, counts[scan]);
    return append(set, H5T_NATIVE_DOUBLE, before, run->scans, hdf5->numbers);
}

static int hdf5_run(void *writer, const struct record_run *run) {
    struct hdf5 *hdf5 = writer;
    uint64_t before = hdf5->rows.rows;
    int result = make_room(hdf5, run->scans);
    if (result < 0)
        return result;
    (void)export_rows_take(&hdf5->rows, run, false);
    for (size_t scan = 0; scan < run->scans; scan++)
        hdf5->numbers[scan] = run->time_s + (double)scan * run->period_s;
    errno = 0;
    result = append(hdf5->sets[0], H5T_NATIVE_DOUBLE, before, run->scans, hdf5->numbers);
    for (size_t i = 0; i < hdf5->table->columns && result == 0; i++)
        result = append_column(hdf5, i, before, run);
    return result < 0 && errno == ENOSPC ? -ENOSPC : result;
}

/* Closes what is open. 0 or -EIO. */
static int close_all(struct hdf5 *hdf5) {
    int result = 0;
    for (size_t i = 0; i <= hdf5->table->columns; i++) {
        if (hdf5->sets[i] >= 0 && H5Dclose(hdf5->sets[i]) < 0)
            result = -EIO;
        hdf5->sets[i] = -1;
    }
    if (hdf5->file >= 0 && H5Fclose(hdf5->file) < 0)
        result = -EIO;
    hdf5->file = -1;
    return result;
}

static int sync_file(const char *path) {
    int file = open(path, O_RDONLY | O_CLOEXEC);
    if (file < 0)
        return -errno;
    int result = fsync(file) < 0 ? -errno : 0;
    (void)close(file);
    return result;
}

static int hdf5_finish(void *writer) {
    struct hdf5 *hdf5 = writer;
    char *about = export_about_text(hdf5->table, &hdf5->rows, NULL);
    int result = about ? put_text(hdf5->file, "about", about) : -ENOMEM;
    free(about);
    int closed = close_all(hdf5);
    if (result == 0)
        result = closed;
    return result < 0 ? result : sync_file(hdf5->path);
}

static void hdf5_free(void *writer) {
    struct hdf5 *hdf5 = writer;
    if (!hdf5)
        return;
    (void)close_all(hdf5);
    free(hdf5->numbers);
    free(hdf5->path);
    free(hdf5);
}

static int make_sets(struct hdf5 *hdf5) {
    const struct export_table *table = hdf5->table;
    hdf5->sets[0] = make_set(hdf5->file, "time_s", H5T_IEEE_F64LE);
    int result = hdf5->sets[0] < 0 ? -EIO : 0;
    for (size_t i = 0; i < table->columns && result == 0; i++) {
        const struct vehicle_channel *channel = table->column[i];
        hid_t set =
            make_set(hdf5->file, channel->name, table->counts ? H5T_STD_I32LE : H5T_IEEE_F64LE);
        hdf5->sets[i + 1] = set;
        result = set < 0 ? -EIO : put_text(set, "unit", table->counts ? "counts" : channel->unit);
        if (result == 0)
            result = put_text(set, "role", role_name(channel->role));
    }
    return result;
}

static int hdf5_begin(const struct export_table *table, const char *path, const char *companion,
                      void **writer) {
    (void)companion;
    struct hdf5 *hdf5 = calloc(1, sizeof *hdf5);
    if (!hdf5)
        return -ENOMEM;
    *hdf5 = (struct hdf5){.table = table, .rows = export_rows_begin(), .file = -1};
    for (size_t i = 0; i <= table->columns; i++)
        hdf5->sets[i] = -1;
    hdf5->path = strdup(path);
    int result = hdf5->path ? 0 : -ENOMEM;
    (void)H5Eset_auto2(H5E_DEFAULT, NULL, NULL); /* whoever reports an error says it once */
    if (result == 0) {
        errno = 0;
        hdf5->file = H5Fcreate(path, H5F_ACC_EXCL, H5P_DEFAULT, H5P_DEFAULT);
        result = hdf5->file >= 0 ? make_sets(hdf5) : errno ? -errno : -EIO;
    }
    if (result < 0) {
        hdf5_free(hdf5);
        return result;
    }
    *writer = hdf5;
    return 0;
}

const struct export_format export_hdf5 = {
    .extension = ".h5",
    .begin = hdf5_begin,
    .run = hdf5_run,
    .finish = hdf5_finish,
    .free = hdf5_free,
};
