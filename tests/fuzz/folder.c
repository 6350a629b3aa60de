// SPDX-License-Identifier: Apache-2.0
/*
 * folder.c - see folder.h.
 */
#include "folder.h"

#include <fcntl.h>
#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

static char folder[] = "/tmp/cranktrap-fuzz-XXXXXX";

static int remove_one(const char *path, const struct stat *facts, int kind, struct FTW *place) {
    (void)facts;
    (void)kind;
    (void)place;
    return remove(path);
}

static void remove_folder(void) {
    (void)nftw(folder, remove_one, 8, FTW_DEPTH | FTW_PHYS);
}

const char *fuzz_folder(void) {
    static int made;
    if (!made && (!mkdtemp(folder) || atexit(remove_folder) != 0))
        abort();
    made = 1;
    return folder;
}

void fuzz_file(const char *name, const uint8_t *data, size_t size) {
    char path[96];
    snprintf(path, sizeof path, "%s/%s", fuzz_folder(), name);
    int file = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
    if (file < 0 || write(file, data, size) != (ssize_t)size)
        abort();
    close(file);
}
