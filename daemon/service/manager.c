// SPDX-License-Identifier: Apache-2.0
/*
 * manager.c - the service manager's notification socket and the sockets it hands over.
 */
#include "manager.h"

#include <errno.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <systemd/sd-daemon.h>
#include <time.h>
#include <unistd.h>

int manager_listener(void) {
    int count = sd_listen_fds(1);
    if (count <= 0)
        return count < 0 ? count : -ENOENT;
    if (count == 1 && sd_is_socket_unix(SD_LISTEN_FDS_START, SOCK_STREAM, 1, NULL, 0) > 0)
        return SD_LISTEN_FDS_START;
    for (int i = 0; i < count; i++)
        close(SD_LISTEN_FDS_START + i);
    return -EINVAL;
}

void manager_ready(void) {
    (void)sd_notify(0, "READY=1");
}

void manager_status(const char *text) {
    static char said[512];
    char line[sizeof said];
    snprintf(line, sizeof line, "%s", text);
    if (strcmp(line, said) == 0)
        return;
    memcpy(said, line, sizeof said);
    (void)sd_notifyf(0, "STATUS=%s", line);
}

void manager_reloading(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    int64_t microseconds = (int64_t)now.tv_sec * 1000000 + now.tv_nsec / 1000;
    (void)sd_notifyf(0, "RELOADING=1\nMONOTONIC_USEC=%lld", (long long)microseconds);
}

void manager_stopping(unsigned seconds) {
    (void)sd_notifyf(0,
                     "STOPPING=1\nSTATUS=ending: everything goes to disk\nEXTEND_TIMEOUT_USEC=%llu",
                     (unsigned long long)seconds * 1000000ull);
}

void manager_alive(void) {
    (void)sd_notify(0, "WATCHDOG=1");
}
