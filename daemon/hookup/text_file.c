// SPDX-License-Identifier: Apache-2.0
/*
 * text_file.c - a whole small file into memory, or in place of another.
 */
#include "text_file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

int text_file_read(const char *path, size_t most, char **text, size_t *length) {
    int file = open(path, O_RDONLY | O_CLOEXEC);
    if (file < 0)
        return -errno;
    size_t room = most + 1; /* one byte more than allowed tells that it is too long */
    char *bytes = malloc(room);
    int result = bytes ? 0 : -ENOMEM;
    size_t have = 0;
    while (result == 0 && have < room) {
        ssize_t got = read(file, bytes + have, room - have);
        if (got == 0)
            break;
        if (got < 0 && errno != EINTR)
            result = -errno;
        if (got > 0)
            have += (size_t)got;
    }
    if (result == 0 && have == room)
        result = -EFBIG;
    close(file);
    if (result < 0) {
        free(bytes);
        return result;
    }
    *text = bytes;
    *length = have;
    return 0;
}

static int write_all(int file, const char *text) {
    size_t length = strlen(text);
    while (length > 0) {
        ssize_t put = write(file, text, length);
        if (put < 0 && errno != EINTR)
            return -errno;
        if (put > 0) {
            text += put;
            length -= (size_t)put;
        }
    }
    return 0;
}

static int write_part(int folder, const char *part, const char *text) {
    int file = openat(folder, part, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
    if (file < 0)
        return -errno;
    int result = write_all(file, text);
    if (result == 0 && fsync(file) < 0)
        result = -errno;
    if (close(file) < 0 && result == 0)
        result = -errno;
    return result;
}

int text_file_replace(const char *folder, const char *name, const char *text) {
    char *part = NULL;
    if (asprintf(&part, "%s.part", name) < 0)
        return -ENOMEM;
    int where = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    int result = where < 0 ? -errno : write_part(where, part, text);
    if (result == 0 && (renameat(where, part, where, name) < 0 || fsync(where) < 0))
        result = -errno;
    if (result < 0 && where >= 0)
        (void)unlinkat(where, part, 0);
    if (where >= 0)
        close(where);
    free(part);
    return result;
}
