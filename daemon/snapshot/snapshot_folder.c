// SPDX-License-Identifier: Apache-2.0
/*
 * snapshot_folder.c - what lies in the snapshots' folder, and under which number.
 */
#include "snapshot_folder.h"

#include "snapshot.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

/* Holds the highest number ever used, as text. */
#define COUNTER     "last-number"
#define COUNTER_NEW "last-number.new"

char *snapshot_folder_path(const char *folder, unsigned number, const char *suffix) {
    char *path = NULL;
    return asprintf(&path, "%s/%04u%s", folder, number, suffix) < 0 ? NULL : path;
}

unsigned snapshot_folder_number(const char *name, const char *suffix) {
    char *end = NULL;
    if (name[0] < '0' || name[0] > '9')
        return 0;
    unsigned long number = strtoul(name, &end, 10);
    char again[32]; /* only what snapshot_folder_path() makes is a name */
    snprintf(again, sizeof again, "%04lu", number);
    size_t digits = (size_t)(end - name);
    if (number == 0 || number > INT32_MAX || strlen(again) != digits ||
        strncmp(again, name, digits) != 0)
        return 0;
    return strcmp(end, suffix) == 0 ? (unsigned)number : 0;
}

static int by_number(const void *a, const void *b) {
    unsigned left = *(const unsigned *)a;
    unsigned right = *(const unsigned *)b;
    return (left > right) - (left < right);
}

int snapshot_folder_numbers(const char *folder, const char *suffix, unsigned **numbers,
                            size_t *count) {
    DIR *directory = opendir(folder);
    if (!directory)
        return -errno;
    unsigned *found = NULL;
    size_t found_count = 0;
    size_t room = 0;
    int error = 0;
    for (struct dirent *entry; (entry = readdir(directory));) {
        unsigned number = snapshot_folder_number(entry->d_name, suffix);
        if (!number)
            continue;
        if (found_count == room) {
            room = room ? 2 * room : 64;
            unsigned *more = reallocarray(found, room, sizeof *found);
            if (!more) {
                error = -ENOMEM;
                break;
            }
            found = more;
        }
        found[found_count++] = number;
    }
    closedir(directory);
    if (error) {
        free(found);
        return error;
    }
    if (found_count)
        qsort(found, found_count, sizeof *found, by_number);
    *numbers = found;
    *count = found_count;
    return 0;
}

/* The number a name begins with, whatever follows; 0: none. */
static unsigned number_in(const char *name) {
    size_t digits = strspn(name, "0123456789");
    unsigned long number = strtoul(name, NULL, 10);
    return digits >= 4 && name[digits] == '.' && number <= INT32_MAX ? (unsigned)number : 0;
}

static unsigned read_counter(int folder_file) {
    char text[16] = "";
    int file = openat(folder_file, COUNTER, O_RDONLY | O_CLOEXEC);
    if (file < 0)
        return 0;
    ssize_t got = read(file, text, sizeof text - 1);
    close(file);
    unsigned long number = got > 0 ? strtoul(text, NULL, 10) : 0;
    return number <= INT32_MAX ? (unsigned)number : 0;
}

int snapshot_folder_survey(const char *folder, uint64_t *bytes, unsigned *highest) {
    DIR *directory = opendir(folder);
    if (!directory)
        return -errno;
    uint64_t sum = 0;
    unsigned most = read_counter(dirfd(directory));
    for (struct dirent *entry; (entry = readdir(directory));) {
        unsigned number = number_in(entry->d_name);
        struct stat facts;
        if (!number)
            continue;
        if (number > most)
            most = number;
        if (strstr(entry->d_name, SNAPSHOT_SUFFIX) &&
            fstatat(dirfd(directory), entry->d_name, &facts, AT_SYMLINK_NOFOLLOW) == 0)
            sum += (uint64_t)facts.st_size;
    }
    closedir(directory);
    *bytes = sum;
    *highest = most;
    return 0;
}

static int write_counter(int folder_file, unsigned number) {
    char text[16];
    int length = snprintf(text, sizeof text, "%u\n", number);
    int file = openat(folder_file, COUNTER_NEW, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
    if (file < 0)
        return -errno;
    int error = 0;
    ssize_t written = write(file, text, (size_t)length);
    if (written < 0 || fsync(file) < 0)
        error = -errno;
    else if (written != length)
        error = -ENOSPC;
    if (close(file) < 0 && !error)
        error = -errno;
    if (!error && renameat(folder_file, COUNTER_NEW, folder_file, COUNTER) < 0)
        error = -errno;
    if (error)
        unlinkat(folder_file, COUNTER_NEW, 0);
    return error;
}

int snapshot_folder_use(const char *folder, unsigned number) {
    int file = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (file < 0)
        return -errno;
    int error = number > read_counter(file) ? write_counter(file, number) : 0;
    close(file);
    return error;
}

uint64_t snapshot_folder_free(const char *folder) {
    struct statvfs facts;
    if (statvfs(folder, &facts) < 0)
        return UINT64_MAX;
    return (uint64_t)facts.f_bavail * facts.f_frsize;
}

int snapshot_folder_sync(const char *folder) {
    int file = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (file < 0)
        return -errno;
    int error = fsync(file) < 0 ? -errno : 0;
    close(file);
    return error;
}

/* ---- the list, without a daemon ---- */

static int fill_entry(const char *folder, unsigned number, struct snapshot_entry *entry) {
    struct stat facts;
    entry->number = number;
    entry->path = snapshot_folder_path(folder, number, SNAPSHOT_SUFFIX);
    entry->report = snapshot_folder_path(folder, number, SNAPSHOT_REPORT);
    if (!entry->path || !entry->report)
        return -ENOMEM;
    if (stat(entry->path, &facts) == 0)
        entry->bytes = (uint64_t)facts.st_size;
    if (access(entry->report, F_OK) < 0) {
        free(entry->report);
        entry->report = NULL;
    }
    return 0;
}

int snapshot_list(const char *folder, struct snapshot_entry **entries, size_t *count) {
    unsigned *numbers = NULL;
    size_t found = 0;
    int error = snapshot_folder_numbers(folder, SNAPSHOT_SUFFIX, &numbers, &found);
    if (error)
        return error;
    struct snapshot_entry *made = calloc(found + 1, sizeof *made);
    if (!made)
        error = -ENOMEM;
    for (size_t i = 0; !error && i < found; i++)
        error = fill_entry(folder, numbers[i], &made[i]);
    free(numbers);
    if (error) {
        snapshot_list_free(made, found);
        return error;
    }
    *entries = made;
    *count = found;
    return 0;
}

void snapshot_list_free(struct snapshot_entry *entries, size_t count) {
    if (!entries)
        return;
    for (size_t i = 0; i < count; i++) {
        free(entries[i].path);
        free(entries[i].report);
    }
    free(entries);
}
