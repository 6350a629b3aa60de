// SPDX-License-Identifier: Apache-2.0
/*
 * file_hash.c - SHA-256 of a file.
 */
#include "file_hash.h"

#include <errno.h>
#include <glib.h>
#include <stdio.h>

int file_hash(const char *path, char hash[FILE_HASH_BYTES]) {
    unsigned char bytes[16384];
    FILE *file = fopen(path, "re");
    if (!file)
        return -errno;
    GChecksum *checksum = g_checksum_new(G_CHECKSUM_SHA256);
    size_t length;
    while ((length = fread(bytes, 1, sizeof bytes, file)) > 0)
        g_checksum_update(checksum, bytes, (gssize)length);
    int result = ferror(file) ? -EIO : 0;
    (void)fclose(file);
    if (result == 0)
        snprintf(hash, FILE_HASH_BYTES, "%s", g_checksum_get_string(checksum));
    g_checksum_free(checksum);
    return result;
}
