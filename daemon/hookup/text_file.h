// SPDX-License-Identifier: Apache-2.0
/*
 * text_file.h - a whole file into memory. Internal to hookup.
 */
#ifndef CRANKTRAP_TEXT_FILE_H
#define CRANKTRAP_TEXT_FILE_H

#include <stddef.h>

/* Reads `path` whole into `*text` (free it). 0, -EFBIG above `most` bytes, or a negative errno. */
int text_file_read(const char *path, size_t most, char **text, size_t *length);

#endif
