// SPDX-License-Identifier: Apache-2.0
/*
 * text_file.h - a whole small file into memory, or in place of another.
 */
#ifndef CRANKTRAP_TEXT_FILE_H
#define CRANKTRAP_TEXT_FILE_H

#include <stddef.h>

/* Reads `path` whole into `*text` (free it). 0, -EFBIG above `most` bytes, or a negative errno. */
int text_file_read(const char *path, size_t most, char **text, size_t *length);

/*
 * Puts a file of that text in the place of `folder`/`name`, whole or not at all: written beside it
 * as NAME.part, synced, renamed, the folder synced. 0 or a negative errno.
 */
int text_file_replace(const char *folder, const char *name, const char *text);

#endif
