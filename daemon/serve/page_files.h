// SPDX-License-Identifier: Apache-2.0
/*
 * page_files.h - the web page: the files of one folder, all read at the start. What a request names
 * is looked up among their names, never in a file system.
 */
#ifndef CRANKTRAP_PAGE_FILES_H
#define CRANKTRAP_PAGE_FILES_H

#include <stddef.h>

struct page;

struct page_file {
    char *name;
    const char *type; /* Content-Type */
    char *bytes;
    size_t size;
    char etag[24]; /* with its quotes */
};

/*
 * Reads the files of `folder` whose endings a page has (html, css, js, ...); others, folders and
 * hidden files are passed over. 0; -EFBIG beyond 4 MiB or 64 files; -ENOENT where there is no
 * folder or no index.html in it; another negative errno.
 */
int page_read(const char *folder, struct page **page);
void page_free(struct page *page); /* takes NULL */

/* The file of that name, or NULL; of a NULL page too. Any thread. */
const struct page_file *page_find(const struct page *page, const char *name);

#endif
