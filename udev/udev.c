// SPDX-License-Identifier: Apache-2.0
/*
 * udev.c - `cranktrap-udev rules|hwdb [BOARD...]`: the udev files of all drivers and board files,
 * or of the board files named.
 */
#include "board_files.h"
#include "drivers.h"
#include "udev_write.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

struct gathered {
    size_t count, files;
    struct udev_board *boards;
    struct board_file_read **read; /* what the boards point to */
};

static int say(const char *name, const char *text) {
    fprintf(stderr, "cranktrap-udev: %s: %s\n", name, text);
    return -1;
}

static int add_file(struct gathered *gathered, const char *name) {
    struct problems problems = {0};
    struct board_file_read *read = NULL;
    char path[BOARD_PATH_MAX];
    int result = board_files_load(name, &read, &problems, path);
    problems_print(&problems, path, stderr);
    problems_clear(&problems);
    if (result < 0)
        return result == -EINVAL ? -1 : say(name, strerror(-result));
    gathered->read[gathered->files++] = read;
    const struct board_file *file = &read->file;
    if (!udev_name_sound(file->name))
        return say(path, "a board file's name has only letters, digits, -, _ and .");
    gathered->boards[gathered->count++] =
        (struct udev_board){file->name, file->summary, file->driver->bus == BOARD_USB, file->ids};
    return 0;
}

static void add_drivers(struct gathered *gathered) {
    size_t count;
    const struct board_driver *const *drivers = drivers_all(&count);
    for (size_t i = 0; i < count; i++)
        gathered->boards[gathered->count++] = (struct udev_board){
            drivers[i]->name, drivers[i]->summary, drivers[i]->bus == BOARD_USB, drivers[i]->ids};
}

/* Those named; or every driver and every board file there is. */
static int gather(struct gathered *gathered, char **names, size_t count) {
    size_t drivers;
    (void)drivers_all(&drivers);
    gathered->boards = calloc(count + drivers, sizeof *gathered->boards);
    gathered->read = calloc(count + 1, sizeof(void *));
    if (!gathered->boards || !gathered->read)
        return say("boards", "not enough memory");
    int result = 0;
    for (size_t i = 0; i < count; i++)
        if (add_file(gathered, names[i]) < 0)
            result = -1;
    return result;
}

static void release(struct gathered *gathered) {
    for (size_t i = 0; i < gathered->files; i++)
        board_files_free(gathered->read[i]);
    free(gathered->read);
    free(gathered->boards);
}

int main(int argc, char **argv) {
    bool rules = argc >= 2 && strcmp(argv[1], "rules") == 0;
    bool hwdb = argc >= 2 && strcmp(argv[1], "hwdb") == 0;
    if (!rules && !hwdb) {
        fputs("usage: cranktrap-udev rules|hwdb [BOARD...]\n\n"
              "Writes the udev rules, or the hwdb, of all drivers and board files; or only of the\n"
              "board files named (a name, or a path with a slash).\n",
              stderr);
        return 2;
    }
    char **names = NULL;
    size_t count = 0;
    struct gathered gathered = {0};
    if (argc == 2 && board_files_names(&names, &count) < 0)
        return 3;
    int result =
        argc == 2 ? gather(&gathered, names, count) : gather(&gathered, argv + 2, (size_t)argc - 2);
    if (result == 0 && argc == 2)
        add_drivers(&gathered);
    if (result == 0)
        (rules ? udev_write_rules : udev_write_hwdb)(gathered.boards, gathered.count, stdout);
    release(&gathered);
    board_files_names_free(names, count);
    return result == 0 ? 0 : 3;
}
