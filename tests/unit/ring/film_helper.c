// SPDX-License-Identifier: Apache-2.0
/*
 * film_helper.c - container files for the tests of playback.
 */
#include "film_helper.h"

#include <stdio.h>
#include <stdlib.h>

struct film new_film(void) {
    return (struct film){.folder = recording_folder()};
}

void cut_to(struct film *film, const char *head) {
    if (film->writer)
        assert_int_equal(container_close(film->writer, true), 0);
    film->writer = NULL;
    if (!head)
        return;
    char *path = film->path[film->files++];
    snprintf(path, sizeof film->path[0], "%s/%zu.crank", film->folder, film->files);
    assert_int_equal(container_create(path, head, &film->writer), 0);
}

void next_file(struct film *film) {
    char *head = recording_head();
    cut_to(film, head);
    free(head);
}

void add(struct film *film, struct chunk chunk) {
    assert_int_equal(container_append(film->writer, &chunk), 0);
    chunk_done(&chunk);
}

const struct record *play(struct film *film) {
    cut_to(film, NULL);
    const char *paths[FILES_MAX];
    for (size_t i = 0; i < film->files; i++)
        paths[i] = film->path[i];
    char why[300] = "";
    int error = playback_open(paths, film->files, &film->playback, why, sizeof why);
    if (error)
        fail_msg("%d: %s", error, why);
    return playback_record(film->playback);
}

void end_film(struct film *film) {
    playback_free(film->playback);
    recording_folder_remove(film->folder);
}

void add_clocks(struct film *film, uint32_t epoch, int64_t elapsed_ns) {
    add(film, recording_clock(0, epoch, 0, elapsed_ns, elapsed_ns, 1000, 1));
    add(film, recording_clock(1, epoch, 0, elapsed_ns, elapsed_ns, 200, 1));
}

void add_second(struct film *film, uint32_t epoch, uint64_t second) {
    add(film, recording_block(0, epoch, second * 1000, 1000));
    add(film, recording_block(1, epoch, second * 200, 200));
}
