// SPDX-License-Identifier: Apache-2.0
/*
 * board_files.h - board files (docs/board-files.md): found by name, read and checked whole.
 *
 * Where a name is looked for, the first folder that has it winning: the folders in the environment
 * variable CRANKTRAP_BOARDS (colons between them), /etc/cranktrap/boards, and the shipped ones:
 * share/cranktrap/boards beside the bin that the program was installed in, else those of its
 * source.
 */
#ifndef CRANKTRAP_BOARD_FILES_H
#define CRANKTRAP_BOARD_FILES_H

#include "board_file.h"
#include "problems.h"

#include <stddef.h>

#define BOARD_PATH_MAX 4096 /* of a path to a board file */

/* A board file as read; all it points to belongs to it. */
struct board_file_read {
    struct board_file file;
    const char *path;     /* "" where it was read from memory */
    size_t setting_count; /* options of the driver that it sets, already checked */
    const struct board_setting *setting;
};

/*
 * Reads the board file of that name, or, where there is a slash in it, of that path. 0; -EINVAL
 * with every problem added to `problems`; -ENOENT no such file; or another negative errno. `path`
 * (BOARD_PATH_MAX bytes) is the file that was looked at, "" where there is none. `*read` is
 * untouched on failure.
 */
int board_files_load(const char *name, struct board_file_read **read, struct problems *problems,
                     char *path);

/* Where that file is, into `path` (BOARD_PATH_MAX bytes). 0 or -ENOENT. */
int board_files_find(const char *name, char *path);

/* The same as board_files_load of a text in memory. Any bytes may come. */
int board_files_parse(const char *text, size_t length, const char *name,
                      struct board_file_read **read, struct problems *problems);

/*
 * Names of all board files there are, sorted, each once. The array and its texts are freed by
 * board_files_names_free(). 0 or -ENOMEM.
 */
int board_files_names(char ***names, size_t *count);
void board_files_names_free(char **names, size_t count);

void board_files_free(struct board_file_read *read); /* takes NULL */

#endif
