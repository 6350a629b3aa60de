// SPDX-License-Identifier: Apache-2.0
/*
 * folder.h - any bytes as a file of a folder, for parsers that take a path.
 */
#ifndef CRANKTRAP_FUZZ_FOLDER_H
#define CRANKTRAP_FUZZ_FOLDER_H

#include <stddef.h>
#include <stdint.h>

/* A folder of this process, made at the first call and gone with what is in it at the exit. */
const char *fuzz_folder(void);

/* Writes the file `name` there anew; its bytes. Aborts where that fails. */
void fuzz_file(const char *name, const uint8_t *data, size_t size);

#endif
