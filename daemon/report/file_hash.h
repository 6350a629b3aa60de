// SPDX-License-Identifier: Apache-2.0
/*
 * file_hash.h - SHA-256 (FIPS 180-4) of a file, so that a sheet can be matched with its record.
 */
#ifndef CRANKTRAP_FILE_HASH_H
#define CRANKTRAP_FILE_HASH_H

#define FILE_HASH_BYTES 65 /* 64 hexadecimal digits and the end */

/* 0, or a negative errno with `hash` untouched. */
int file_hash(const char *path, char hash[FILE_HASH_BYTES]);

#endif
