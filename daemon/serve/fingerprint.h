// SPDX-License-Identifier: Apache-2.0
/*
 * fingerprint.h - 64 bits that change when what they are of changes: for ETags, not for secrets.
 * FNV-1a (draft-eastlake-fnv).
 */
#ifndef CRANKTRAP_FINGERPRINT_H
#define CRANKTRAP_FINGERPRINT_H

#include <stddef.h>
#include <stdint.h>

#define FINGERPRINT_BEGIN UINT64_C(0xcbf29ce484222325)

/* `print` with `size` more bytes. */
uint64_t fingerprint_add(uint64_t print, const void *bytes, size_t size);

/*
 * `print` with name, size, inode and time of change of a file, or with its name alone where there
 * is none. Any thread.
 */
uint64_t fingerprint_add_file(uint64_t print, int folder, const char *name);

/*
 * Of all files of a folder whose names end in one of `endings` (NULL: the list's end), in whatever
 * order the folder gives them. A folder that cannot be read is one without files.
 */
uint64_t fingerprint_of_folder(const char *folder, const char *const *endings);

/* As an ETag, with its quotes. */
void fingerprint_text(uint64_t print, char text[24]);

#endif
