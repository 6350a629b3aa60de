// SPDX-License-Identifier: Apache-2.0
/*
 * board_folders.c - where board files are: a person's own before the shipped ones.
 */
#include "board_files.h"

#include <dirent.h>
#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define ENDING    ".board"
#define LOCAL     "/etc/cranktrap/boards"
#define INSTALLED "share/cranktrap/boards" /* below the prefix */
#define LIST_MAX  (3 * BOARD_PATH_MAX)

/* Folder after folder, with colons between them; "" where there is none. */
static const char *own_folders(void) {
    const char *own = getenv("CRANKTRAP_BOARDS");
    return own ? own : "";
}

/*
 * The folders that everybody has: this computer's own, then the shipped ones. They are where the
 * program was installed (PREFIX/bin/cranktrap has PREFIX/share/...), else in its source.
 */
static const char *standard_folders(char list[LIST_MAX]) {
    char program[BOARD_PATH_MAX];
    ssize_t length = readlink("/proc/self/exe", program, sizeof program - 1);
    program[length > 0 ? length : 0] = '\0';
    for (int i = 0; i < 2; i++) { /* the program's name, and its folder's */
        char *slash = strrchr(program, '/');
        if (slash)
            *slash = '\0';
    }
    (void)snprintf(list, LIST_MAX, LOCAL ":%s/" INSTALLED ":%s", program, CRANKTRAP_BOARDS_FOLDER);
    return list;
}

/* The next folder of a list; false at its end. */
static bool next_folder(const char **list, char *folder, size_t size) {
    *list += strspn(*list, ":");
    size_t length = strcspn(*list, ":");
    if (length == 0)
        return false;
    snprintf(folder, size, "%.*s", (int)length, *list);
    *list += length;
    return true;
}

static bool find_in(const char *list, const char *name, char *path) {
    char folder[BOARD_PATH_MAX];
    while (next_folder(&list, folder, sizeof folder)) {
        int length = snprintf(path, BOARD_PATH_MAX, "%s/%s" ENDING, folder, name);
        if (length > 0 && length < BOARD_PATH_MAX && access(path, F_OK) == 0)
            return true;
    }
    path[0] = '\0';
    return false;
}

int board_files_find(const char *name, char *path) {
    path[0] = '\0';
    if (strchr(name, '/')) {
        int length = snprintf(path, BOARD_PATH_MAX, "%s", name);
        if (length > 0 && length < BOARD_PATH_MAX && access(path, F_OK) == 0)
            return 0;
        path[0] = '\0';
        return -ENOENT;
    }
    char list[LIST_MAX];
    return find_in(own_folders(), name, path) || find_in(standard_folders(list), name, path)
               ? 0
               : -ENOENT;
}

struct names {
    char **name;
    size_t count;
};

static bool known(const struct names *names, const char *name) {
    for (size_t i = 0; i < names->count; i++)
        if (strcmp(names->name[i], name) == 0)
            return true;
    return false;
}

static int add(struct names *names, const char *file, size_t length) {
    char *copy = strndup(file, length);
    if (!copy || known(names, copy)) {
        free(copy);
        return copy ? 0 : -ENOMEM;
    }
    char **grown = reallocarray(names->name, names->count + 1, sizeof *grown);
    if (!grown) {
        free(copy);
        return -ENOMEM;
    }
    names->name = grown;
    names->name[names->count++] = copy;
    return 0;
}

static int add_folder(struct names *names, const char *folder) {
    DIR *entries = opendir(folder);
    if (!entries)
        return 0;
    int result = 0;
    for (const struct dirent *entry; result == 0 && (entry = readdir(entries));) {
        size_t length = strlen(entry->d_name);
        size_t ending = sizeof ENDING - 1;
        if (length > ending && strcmp(entry->d_name + length - ending, ENDING) == 0)
            result = add(names, entry->d_name, length - ending);
    }
    closedir(entries);
    return result;
}

static int by_name(const void *left, const void *right) {
    return strcmp(*(char *const *)left, *(char *const *)right);
}

int board_files_names(char ***names, size_t *count) {
    struct names found = {0};
    char standard[LIST_MAX];
    const char *const lists[] = {own_folders(), standard_folders(standard)};
    int result = 0;
    for (size_t i = 0; i < 2; i++) {
        char folder[BOARD_PATH_MAX];
        for (const char *list = lists[i]; result == 0 && next_folder(&list, folder, sizeof folder);)
            result = add_folder(&found, folder);
    }
    if (result < 0) {
        board_files_names_free(found.name, found.count);
        return result;
    }
    if (found.count)
        qsort(found.name, found.count, sizeof *found.name, by_name);
    *names = found.name;
    *count = found.count;
    return 0;
}

void board_files_names_free(char **names, size_t count) {
    for (size_t i = 0; i < count; i++)
        free(names[i]);
    free(names);
}
