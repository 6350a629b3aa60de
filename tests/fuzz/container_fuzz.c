// SPDX-License-Identifier: Apache-2.0
/*
 * container_fuzz.c - any bytes as a container file: scanned, read and verified.
 */
#include "container.h"

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void read_all(const char *path) {
    struct container_reader *reader;
    if (container_open(path, &reader) != 0)
        return;
    const struct container_entry *entries;
    size_t count = container_entries(reader, &entries);
    for (size_t i = 0; i < count; i++) {
        struct chunk chunk;
        if (container_read(reader, i, &chunk) != 0)
            abort(); /* what the scan found sound is still there */
        chunk_done(&chunk);
    }
    container_reader_free(reader);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    int fd = memfd_create("container", MFD_CLOEXEC);
    if (fd < 0)
        abort();
    if (write(fd, data, size) == (ssize_t)size) {
        char path[64];
        char text[256] = "";
        snprintf(path, sizeof path, "/proc/self/fd/%d", fd);
        read_all(path);
        (void)container_verify(path, text, sizeof text);
        if (!text[0] || strlen(text) >= sizeof text)
            abort();
    }
    close(fd);
    return 0;
}
