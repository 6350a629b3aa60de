// SPDX-License-Identifier: Apache-2.0
/*
 * container_write.c - appending chunks to a file, and knowing when they are durable.
 */
#include "container.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <sys/uio.h>
#include <unistd.h>

struct container_writer {
    int fd;
    int folder;        /* until its entry for the file is durable; then -1 */
    int failed;        /* first error of a write or sync; nothing after it can be trusted */
    uint32_t sequence; /* of the next chunk */
    uint64_t file;     /* the number in every chunk of this file */
    uint64_t size;
    struct chunk head; /* the latest, to be repeated at the end */
};

static int open_folder_of(const char *path) {
    const char *slash = strrchr(path, '/');
    if (!slash)
        return open(".", O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    char *folder = strndup(path, slash == path ? 1 : (size_t)(slash - path));
    if (!folder) {
        errno = ENOMEM;
        return -1;
    }
    int fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    int error = errno;
    free(folder);
    errno = error;
    return fd;
}

static int append_head(struct container_writer *writer, const char *head_json) {
    struct chunk head;
    int error = chunk_text(&head, CHUNK_HEAD, head_json, 0);
    if (error)
        return error;
    error = container_append(writer, &head);
    chunk_done(&head);
    return error;
}

int container_create(const char *path, const char *head_json, struct container_writer **writer) {
    struct container_writer *made = malloc(sizeof *made);
    if (!made)
        return -ENOMEM;
    *made = (struct container_writer){.fd = -1, .folder = -1};
    int error = 0;
    if (getrandom(&made->file, sizeof made->file, 0) != (ssize_t)sizeof made->file) {
        error = -EIO;
        goto fail;
    }
    made->folder = open_folder_of(path);
    if (made->folder < 0) {
        error = -errno;
        goto fail;
    }
    made->fd = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
    if (made->fd < 0) {
        error = -errno;
        goto fail;
    }
    error = append_head(made, head_json);
    if (error) {
        unlink(path);
        goto fail;
    }
    *writer = made;
    return 0;
fail:
    (void)container_close(made, false);
    return error;
}

/* Writes all of `parts`, however little the system takes at a time. */
static int write_whole(int fd, struct iovec *parts, int count) {
    while (count) {
        ssize_t taken = writev(fd, parts, count);
        if (taken < 0 && errno == EINTR)
            continue;
        if (taken < 0)
            return -errno;
        if (taken == 0)
            return -EIO;
        size_t left = (size_t)taken;
        while (count && left >= parts->iov_len) {
            left -= parts->iov_len;
            parts++;
            count--;
        }
        if (count) {
            parts->iov_base = (uint8_t *)parts->iov_base + left;
            parts->iov_len -= left;
        }
    }
    return 0;
}

/* Keeps a copy of the latest head. */
static int keep_head(struct container_writer *writer, const struct chunk *chunk) {
    uint8_t *bytes = malloc(chunk->length);
    if (!bytes)
        return -ENOMEM;
    memcpy(bytes, chunk->bytes, chunk->length);
    chunk_done(&writer->head);
    writer->head = *chunk;
    writer->head.bytes = bytes;
    return 0;
}

static int append(struct container_writer *writer, const struct chunk *chunk) {
    uint8_t front[CHUNK_FRONT_MAX];
    size_t size = chunk_seal(chunk, writer->sequence, writer->file, front);
    struct iovec parts[2] = {{.iov_base = front, .iov_len = size},
                             {.iov_base = chunk->bytes + size, .iov_len = chunk->length - size}};
    int error = write_whole(writer->fd, parts, chunk->length > size ? 2 : 1);
    if (error) {
        writer->failed = error;
        return error;
    }
    writer->sequence++;
    writer->size += chunk->length;
    return 0;
}

int container_append(struct container_writer *writer, const struct chunk *chunk) {
    if (writer->failed)
        return writer->failed;
    int error = chunk->type == CHUNK_HEAD ? keep_head(writer, chunk) : 0;
    return error ? error : append(writer, chunk);
}

int container_sync(struct container_writer *writer) {
    if (writer->failed)
        return writer->failed;
    if (fdatasync(writer->fd) < 0) {
        writer->failed = -errno;
        return writer->failed;
    }
    if (writer->folder >= 0) {
        /* Some file systems cannot sync a folder, and say EINVAL; that is no failure of the data.
         */
        if (fsync(writer->folder) < 0 && errno != EINVAL) {
            writer->failed = -errno;
            return writer->failed;
        }
        close(writer->folder);
        writer->folder = -1;
    }
    return 0;
}

uint64_t container_size(const struct container_writer *writer) {
    return writer->size;
}

/* Nothing can be made of blocks without a head: it is repeated, so that no single place holds it.
 */
static int append_end(struct container_writer *writer) {
    struct chunk end;
    int error = chunk_end(&end);
    if (error)
        return error;
    error = append(writer, &writer->head);
    if (!error)
        error = append(writer, &end);
    chunk_done(&end);
    return error;
}

int container_close(struct container_writer *writer, bool whole) {
    if (!writer)
        return 0;
    int error = writer->failed;
    if (whole && !error)
        error = append_end(writer);
    if (whole && !error)
        error = container_sync(writer);
    if (writer->fd >= 0 && close(writer->fd) < 0 && !error && errno != EINTR)
        error = -errno;
    if (writer->folder >= 0)
        close(writer->folder);
    chunk_done(&writer->head);
    free(writer);
    return error;
}
