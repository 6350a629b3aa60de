// SPDX-License-Identifier: Apache-2.0
/*
 * fingerprint.c - FNV-1a over bytes and over what the file system says of files.
 */
#include "fingerprint.h"

#include <dirent.h>
#include <inttypes.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

uint64_t fingerprint_add(uint64_t print, const void *bytes, size_t size) {
    const unsigned char *byte = bytes;
    for (size_t i = 0; i < size; i++)
        print = (print ^ byte[i]) * UINT64_C(0x100000001b3);
    return print;
}

uint64_t fingerprint_add_file(uint64_t print, int folder, const char *name) {
    struct stat status;
    print = fingerprint_add(print, name, strlen(name) + 1);
    if (fstatat(folder, name, &status, 0) < 0)
        return print;
    char facts[96];
    int length =
        snprintf(facts, sizeof facts, "%jd %ju %jd %ld", (intmax_t)status.st_size,
                 (uintmax_t)status.st_ino, (intmax_t)status.st_mtim.tv_sec, status.st_mtim.tv_nsec);
    return fingerprint_add(print, facts, (size_t)length);
}

static int ends_in(const char *name, const char *const *endings) {
    size_t length = strlen(name);
    for (; *endings; endings++) {
        size_t ending = strlen(*endings);
        if (length > ending && strcmp(name + length - ending, *endings) == 0)
            return 1;
    }
    return 0;
}

uint64_t fingerprint_of_folder(const char *folder, const char *const *endings) {
    uint64_t print = FINGERPRINT_BEGIN;
    DIR *list = opendir(folder);
    if (!list)
        return print;
    /* The order of a folder's names means nothing: each file is taken by itself and added. */
    for (const struct dirent *entry; (entry = readdir(list));)
        if (ends_in(entry->d_name, endings))
            print += fingerprint_add_file(FINGERPRINT_BEGIN, dirfd(list), entry->d_name);
    closedir(list);
    return print;
}

void fingerprint_text(uint64_t print, char text[24]) {
    snprintf(text, 24, "\"%016" PRIx64 "\"", print);
}
