// SPDX-License-Identifier: Apache-2.0
#include "places.h"

#include "say.h"

#include <errno.h>
#include <fcntl.h>
#include <libgen.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

int places_lock(struct daemon *daemon) {
    const char *state = daemon->line.state;
    if (mkdir(state, 0750) < 0 && errno != EEXIST) {
        int error = errno;
        fail("state folder %s: %s; make it, or name another with --state", state, strerror(error));
        return -error;
    }
    char *path = NULL;
    if (asprintf(&path, "%s/lock", state) < 0)
        return -ENOMEM;
    int fd = open(path, O_CREAT | O_RDWR | O_CLOEXEC, 0640);
    int result = fd < 0 ? -errno : 0;
    if (fd < 0) {
        fail("%s: %s; the daemon's user must be able to write in the state folder", path,
             strerror(-result));
    } else if (flock(fd, LOCK_EX | LOCK_NB) < 0) {
        result = -errno;
        fail("%s is in use by another cranktrapd; stop that one, or name another folder with "
             "--state",
             state);
        close(fd);
    } else {
        daemon->state_lock = fd;
    }
    free(path);
    return result;
}

/* In a build tree beside the programs' folder; else as installed. dirname() has cut `programs`. */
static int find_page(struct daemon *daemon, const char *programs) {
    if (daemon->line.page)
        daemon->page_folder = strdup(daemon->line.page);
    else if (asprintf(&daemon->page_folder, "%s/../page", programs) < 0)
        daemon->page_folder = NULL;
    if (daemon->page_folder && !daemon->line.page && access(daemon->page_folder, X_OK) < 0) {
        free(daemon->page_folder);
        daemon->page_folder = strdup(CRANKTRAP_PAGE_FOLDER);
    }
    return daemon->page_folder ? 0 : -ENOMEM;
}

int places_find(struct daemon *daemon, const char *self) {
    const char *state = daemon->line.state;
    char folder[4096];
    ssize_t length = readlink("/proc/self/exe", folder, sizeof folder - 1);
    if (length < 0)
        length = snprintf(folder, sizeof folder, "%s", self);
    folder[length] = '\0';
    if (asprintf(&daemon->ring_folder, "%s/ring", state) < 0 ||
        asprintf(&daemon->snapshot_folder, "%s/snapshots", state) < 0 ||
        asprintf(&daemon->program, "%s/cranktrap", dirname(folder)) < 0 ||
        find_page(daemon, folder) < 0)
        return -ENOMEM;
    if (daemon->line.socket)
        daemon->socket_path = strdup(daemon->line.socket);
    else if (asprintf(&daemon->socket_path, "%s/cranktrap.sock", state) < 0)
        return -ENOMEM;
    return daemon->socket_path ? 0 : -ENOMEM;
}
