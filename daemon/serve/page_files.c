// SPDX-License-Identifier: Apache-2.0
/*
 * page_files.c - a folder's files in memory.
 */
#include "page_files.h"

#include "fingerprint.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define FILES_MAX 64
#define BYTES_MAX (4u << 20)

struct page {
    struct page_file files[FILES_MAX];
    size_t count;
    size_t bytes;
};

static const char *type_of(const char *name) {
    static const char *const types[][2] = {
        {".html", "text/html; charset=utf-8"},
        {".css", "text/css; charset=utf-8"},
        {".js", "text/javascript; charset=utf-8"},
        {".mjs", "text/javascript; charset=utf-8"},
        {".json", "application/json"},
        {".webmanifest", "application/manifest+json"},
        {".svg", "image/svg+xml"},
        {".png", "image/png"},
        {".ico", "image/x-icon"},
        {".woff2", "font/woff2"},
        {".txt", "text/plain; charset=utf-8"},
    };
    const char *ending = strrchr(name, '.');
    for (size_t i = 0; ending && ending != name && i < sizeof types / sizeof *types; i++)
        if (strcmp(ending, types[i][0]) == 0)
            return types[i][1];
    return NULL;
}

static int read_whole(int file, size_t size, char *bytes) {
    for (size_t used = 0; used < size;) {
        ssize_t count = read(file, bytes + used, size - used);
        if (count < 0 && errno == EINTR)
            continue;
        if (count <= 0)
            return count < 0 ? -errno : -EIO; /* it became shorter meanwhile */
        used += (size_t)count;
    }
    return 0;
}

static int add(struct page *page, const char *name, const char *type, int file, size_t size) {
    if (page->count == FILES_MAX || size > BYTES_MAX - page->bytes)
        return -EFBIG;
    struct page_file *made = &page->files[page->count];
    *made = (struct page_file){.name = strdup(name), .type = type, .bytes = malloc(size + 1)};
    page->count++; /* page_free() takes it half-built */
    if (!made->name || !made->bytes)
        return -ENOMEM;
    int result = read_whole(file, size, made->bytes);
    if (result < 0)
        return result;
    made->bytes[size] = '\0';
    made->size = size;
    page->bytes += size;
    fingerprint_text(fingerprint_add(FINGERPRINT_BEGIN, made->bytes, size), made->etag);
    return 0;
}

static int read_file(struct page *page, int folder, const char *name) {
    const char *type = type_of(name);
    if (!type || name[0] == '.')
        return 0;
    int file = openat(folder, name, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (file < 0)
        return -errno;
    struct stat status;
    int result = fstat(file, &status) < 0 ? -errno : 0;
    if (result == 0 && S_ISREG(status.st_mode))
        result = add(page, name, type, file, (size_t)status.st_size);
    close(file);
    return result;
}

int page_read(const char *folder, struct page **page) {
    DIR *list = opendir(folder);
    if (!list)
        return -errno;
    struct page *made = calloc(1, sizeof *made);
    int result = made ? 0 : -ENOMEM;
    for (const struct dirent *entry; result == 0 && (entry = readdir(list));)
        result = read_file(made, dirfd(list), entry->d_name);
    closedir(list);
    if (result == 0 && !page_find(made, "index.html"))
        result = -ENOENT;
    if (result < 0) {
        page_free(made);
        return result;
    }
    *page = made;
    return 0;
}

void page_free(struct page *page) {
    if (!page)
        return;
    for (size_t i = 0; i < page->count; i++) {
        free(page->files[i].name);
        free(page->files[i].bytes);
    }
    free(page);
}

const struct page_file *page_find(const struct page *page, const char *name) {
    for (size_t i = 0; page && i < page->count; i++)
        if (strcmp(page->files[i].name, name) == 0)
            return &page->files[i];
    return NULL;
}
