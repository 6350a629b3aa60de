// SPDX-License-Identifier: Apache-2.0
/*
 * night_note.c - the note is written beside the older one, synced, then put in its place.
 */
#include "night_note.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <unistd.h>

#define NOTE_NAME "night.json"
#define NEW_NAME  "night.json.part"

json_t *night_note_json(int64_t wall_ns, int64_t elapsed_ns) {
    return json_pack("{s:s, s:I, s:f}", "schema", "cranktrap.ready-night/1", "since_s",
                     (json_int_t)(wall_ns / 1000000000), "elapsed_s", (double)elapsed_ns * 1e-9);
}

static int write_new(int folder, const json_t *note) {
    int fd = openat(folder, NEW_NAME, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0644);
    if (fd < 0)
        return -errno;
    int result = 0;
    errno = EIO; /* jansson leaves errno as write() set it */
    if (json_dumpfd(note, fd, JSON_REAL_PRECISION(15)) < 0 || fsync(fd) < 0)
        result = -errno;
    if (close(fd) < 0 && result == 0)
        result = -errno;
    return result;
}

int night_note_write(const char *folder, const json_t *note) {
    int fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return -errno;
    int result = write_new(fd, note);
    if (result == 0 && (renameat(fd, NEW_NAME, fd, NOTE_NAME) < 0 || fsync(fd) < 0))
        result = -errno;
    if (result < 0)
        (void)unlinkat(fd, NEW_NAME, 0);
    close(fd);
    return result;
}
