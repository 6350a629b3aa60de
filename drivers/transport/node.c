// SPDX-License-Identifier: Apache-2.0
/*
 * node.c - from any link (/dev/serial/by-id/..., /dev/cranktrap/...) to the device node behind it.
 *
 * libserialport takes names as the kernel lists them and refuses links, so they are followed
 * here. By readlink(), a step at a time: the walk must stop at the first name that the kernel
 * knows as a serial port, also where that name is itself a link.
 */
#include "node.h"

#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define LINKS_MAX 16 /* more are a loop */

bool node_is_serial(const char *path) {
    static const char devices[] = "/dev/";
    if (strncmp(path, devices, sizeof devices - 1) != 0)
        return false;
    char listed[PATH_MAX];
    int length = snprintf(listed, sizeof listed, "/sys/class/tty/%s", path + sizeof devices - 1);
    struct stat status;
    return length > 0 && (size_t)length < sizeof listed && lstat(listed, &status) == 0;
}

/* Takes "name/.." and "." out of an absolute path, in place. */
static void tidy(char *path) {
    size_t used = 0;
    for (const char *part = path; *part != '\0';) {
        size_t length = strcspn(part + 1, "/") + 1; /* with its leading slash */
        if (length == 3 && memcmp(part, "/..", 3) == 0) {
            while (used > 0 && path[--used] != '/')
                ;
        } else if (length > 1 && !(length == 2 && part[1] == '.')) {
            memmove(path + used, part, length);
            used += length;
        }
        part += length;
    }
    path[used] = '\0';
}

/* One link further: `path` becomes what it points to. */
static int follow(char path[PATH_MAX]) {
    char target[PATH_MAX];
    ssize_t length = readlink(path, target, sizeof target - 1);
    if (length < 0)
        return -errno;
    target[length] = '\0';

    char next[2 * PATH_MAX];
    const char *slash = strrchr(path, '/');
    if (target[0] == '/' || slash == NULL)
        (void)snprintf(next, sizeof next, "%s", target);
    else
        (void)snprintf(next, sizeof next, "%.*s/%s", (int)(slash - path), path, target);
    if (next[0] == '/')
        tidy(next);
    if (strlen(next) >= PATH_MAX)
        return -ENAMETOOLONG;
    memcpy(path, next, strlen(next) + 1);
    return 0;
}

int node_resolve(const char *path, char *node, size_t size) {
    char at[PATH_MAX];
    if (strlen(path) >= sizeof at)
        return -ENAMETOOLONG;
    memcpy(at, path, strlen(path) + 1);

    for (int links = 0; !node_is_serial(at); links++) {
        if (links == LINKS_MAX)
            return -ELOOP;
        int result = follow(at);
        if (result == -EINVAL) /* no link: the end of the way */
            break;
        if (result < 0)
            return result;
    }
    if (strlen(at) >= size)
        return -ENAMETOOLONG;
    memcpy(node, at, strlen(at) + 1);
    return 0;
}
