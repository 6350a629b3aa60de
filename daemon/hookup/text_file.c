// SPDX-License-Identifier: Apache-2.0
/*
 * text_file.c - a whole file into memory.
 */
#include "text_file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
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
