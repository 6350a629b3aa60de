// SPDX-License-Identifier: Apache-2.0
/*
 * catalogue.c - records of fixed size, each with its own check sum; docs/format.md.
 */
#include "catalogue.h"

#include "bytes.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <zlib.h>

#define NAME     "catalogue"
#define NEW_NAME "catalogue.new"

enum {
    AT_NUMBER = 0,
    AT_BYTES = 8,
    AT_FROM = 16,
    AT_TO = 24,
    AT_INDEX = 32,
    AT_BOOT = 40,
    AT_EPOCH = 56,
    AT_FLAGS = 60,
    AT_CRC = 64,
    RECORD = 68,
};
#define FLAG_BOOT  1u
#define FLAG_EPOCH 2u

static uint32_t crc_of(const uint8_t *record) {
    return (uint32_t)crc32(0, record, AT_CRC);
}

static void put_record(uint8_t *record, const struct segment *segment) {
    bytes_put_u64(record + AT_NUMBER, segment->number);
    bytes_put_u64(record + AT_BYTES, segment->bytes);
    bytes_put_u64(record + AT_FROM, (uint64_t)segment->from_ns);
    bytes_put_u64(record + AT_TO, (uint64_t)segment->to_ns);
    bytes_put_u64(record + AT_INDEX, segment->index_at);
    memcpy(record + AT_BOOT, segment->boot, sizeof segment->boot);
    bytes_put_u32(record + AT_EPOCH, segment->last_epoch);
    bytes_put_u32(record + AT_FLAGS,
                  (segment->boot_known ? FLAG_BOOT : 0) | (segment->has_epoch ? FLAG_EPOCH : 0));
    bytes_put_u32(record + AT_CRC, crc_of(record));
}

static void take_record(const uint8_t *record, struct segment *segment) {
    uint32_t flags = bytes_u32(record + AT_FLAGS);
    segment->from_ns = (int64_t)bytes_u64(record + AT_FROM);
    segment->to_ns = (int64_t)bytes_u64(record + AT_TO);
    segment->index_at = bytes_u64(record + AT_INDEX);
    memcpy(segment->boot, record + AT_BOOT, sizeof segment->boot);
    segment->last_epoch = bytes_u32(record + AT_EPOCH);
    segment->boot_known = flags & FLAG_BOOT;
    segment->has_epoch = flags & FLAG_EPOCH;
    segment->catalogued = true;
}

static struct segment *find(struct segment *segments, size_t count, uint64_t number) {
    size_t low = 0;
    for (size_t high = count; low < high;) {
        size_t middle = low + (high - low) / 2;
        if (segments[middle].number < number)
            low = middle + 1;
        else
            high = middle;
    }
    return low < count && segments[low].number == number ? &segments[low] : NULL;
}

/* The whole file; NULL where it cannot be had. */
static uint8_t *read_file(int folder_file, size_t *size) {
    struct stat facts;
    uint8_t *bytes = NULL;
    int file = openat(folder_file, NAME, O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
    if (file < 0)
        return NULL;
    if (fstat(file, &facts) == 0 && S_ISREG(facts.st_mode) && facts.st_size > 0)
        bytes = malloc((size_t)facts.st_size);
    ssize_t got = bytes ? read(file, bytes, (size_t)facts.st_size) : 0;
    close(file);
    *size = got > 0 ? (size_t)got : 0;
    return bytes;
}

size_t catalogue_read(int folder_file, struct segment *segments, size_t count) {
    size_t size = 0;
    uint8_t *bytes = read_file(folder_file, &size);
    size_t records = size / RECORD;
    for (size_t i = 0; i < records; i++) {
        const uint8_t *record = bytes + i * RECORD;
        if (bytes_u32(record + AT_CRC) != crc_of(record))
            continue;
        struct segment *segment = find(segments, count, bytes_u64(record + AT_NUMBER));
        if (segment && segment->bytes == bytes_u64(record + AT_BYTES))
            take_record(record, segment);
    }
    free(bytes);
    return records;
}

static int write_whole(int file, const uint8_t *bytes, size_t count) {
    ssize_t taken = write(file, bytes, count);
    if (taken < 0)
        return -errno;
    return (size_t)taken == count ? 0 : -EIO;
}

int segments_known(const char *folder, struct segment **segments, size_t *count) {
    struct segment *found;
    size_t found_count, kept = 0;
    int error = segments_find(folder, &found, &found_count);
    if (error)
        return error;
    int folder_file = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (folder_file >= 0) {
        (void)catalogue_read(folder_file, found, found_count);
        close(folder_file);
    }
    for (size_t i = 0; i < found_count; i++)
        if (found[i].catalogued || segment_peek(folder, &found[i]))
            found[kept++] = found[i];
    *segments = found;
    *count = kept;
    return 0;
}

int catalogue_add(int folder_file, const struct segment *segment) {
    uint8_t record[RECORD];
    struct stat facts;
    int file = openat(folder_file, NAME, O_WRONLY | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0666);
    if (file < 0)
        return -errno;
    int error = fstat(file, &facts) < 0 ? -errno : 0;
    put_record(record, segment);
    /* What a torn write has left is written over: records stand on their grid. */
    if (!error && lseek(file, facts.st_size / RECORD * RECORD, SEEK_SET) < 0)
        error = -errno;
    if (!error)
        error = write_whole(file, record, sizeof record);
    close(file);
    return error;
}

int catalogue_write(int folder_file, const struct segment *segments, size_t count) {
    uint8_t *bytes = malloc(count * RECORD + 1);
    if (!bytes)
        return -ENOMEM;
    size_t records = 0;
    for (size_t i = 0; i < count; i++)
        if (segments[i].catalogued)
            put_record(bytes + records++ * RECORD, &segments[i]);
    int file =
        openat(folder_file, NEW_NAME, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0666);
    int error = file < 0 ? -errno : write_whole(file, bytes, records * RECORD);
    if (file >= 0)
        close(file);
    free(bytes);
    if (!error && renameat(folder_file, NEW_NAME, folder_file, NAME) < 0)
        error = -errno;
    return error;
}
