// SPDX-License-Identifier: Apache-2.0
/*
 * replay.c - runs a fuzz target over every file of its corpus, without a fuzzer.
 */
#include <dirent.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static int replay_file(const char *path) {
    FILE *file = fopen(path, "rb");
    if (!file) {
        perror(path);
        return -1;
    }
    size_t size = 0;
    size_t room = 1u << 22;
    uint8_t *data = malloc(room);
    if (data)
        size = fread(data, 1, room, file);
    fclose(file);
    if (!data)
        return -1;
    /* The input in memory of exactly its size: a read beyond it is seen by the sanitizer. */
    uint8_t *exact = malloc(size ? size : 1);
    if (exact) {
        memcpy(exact, data, size);
        LLVMFuzzerTestOneInput(exact, size);
    }
    free(exact);
    free(data);
    return exact ? 0 : -1;
}

int main(int argc, char **argv) {
    if (argc != 2) {
        fprintf(stderr, "usage: %s CORPUS-FOLDER\n", argv[0]);
        return 2;
    }
    DIR *folder = opendir(argv[1]);
    if (!folder) {
        perror(argv[1]);
        return 1;
    }
    size_t files = 0;
    int result = 0;
    for (struct dirent *entry; (entry = readdir(folder));) {
        if (entry->d_name[0] == '.')
            continue;
        char path[4096];
        snprintf(path, sizeof path, "%s/%s", argv[1], entry->d_name);
        if (replay_file(path) < 0)
            result = 1;
        files++;
    }
    closedir(folder);
    printf("%zu inputs replayed\n", files);
    return files ? result : 1; /* an empty corpus tests nothing */
}
