// SPDX-License-Identifier: Apache-2.0
/*
 * listeners.c - poll, accept, hand on; and how the sockets are opened.
 */
#include "listeners.h"

#include <arpa/inet.h>
#include <errno.h>
#include <netdb.h>
#include <netinet/in.h>
#include <poll.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#define FILES_MAX    4
#define BACKLOG      64
#define NO_FILES_MS  200 /* pause where the process has no descriptors left */
#define DEFAULT_PORT "4187"

struct listeners {
    struct MHD_Daemon *http;
    pthread_t thread;
    bool running;
    int wake;
    atomic_bool ending;
    atomic_int open[2]; /* connections: over the Unix socket, over TCP */
    pthread_mutex_t lock;
    int file[FILES_MAX]; /* -1: none */
};

/* ---- opening ---- */

/* A socket file nobody listens at is left over from a crash: remove it. */
static int clear_stale(const struct sockaddr_un *address) {
    struct stat status;
    if (lstat(address->sun_path, &status) < 0)
        return errno == ENOENT ? 0 : -errno;
    if (!S_ISSOCK(status.st_mode))
        return -EEXIST;
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0)
        return -errno;
    int result =
        connect(fd, (const struct sockaddr *)address, sizeof *address) == 0 ? -EADDRINUSE : 0;
    close(fd);
    if (result == 0 && unlink(address->sun_path) < 0)
        result = -errno;
    return result;
}

int listeners_open_socket(const char *path) {
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (strlen(path) >= sizeof address.sun_path)
        return -ENAMETOOLONG;
    strcpy(address.sun_path, path);
    int result = clear_stale(&address);
    if (result < 0)
        return result;
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return -errno;
    /* The mode is set before anyone can connect: listen() comes last. */
    if (bind(fd, (const struct sockaddr *)&address, sizeof address) < 0 || chmod(path, 0660) < 0 ||
        listen(fd, BACKLOG) < 0) {
        result = -errno;
        close(fd);
        return result;
    }
    return fd;
}

/* Splits "[::1]:4187" or "127.0.0.1:4187"; false: it is neither. */
static bool split_address(const char *text, char *host, size_t size, const char **port) {
    const char *colon = strrchr(text, ':');
    if (!colon || colon == text || !colon[1])
        return false;
    bool brackets = text[0] == '[' && colon[-1] == ']';
    size_t length = (size_t)(colon - text) - (brackets ? 2 : 0);
    if (length == 0 || length >= size)
        return false;
    memcpy(host, text + (brackets ? 1 : 0), length);
    host[length] = '\0';
    *port = colon + 1;
    return brackets || !strchr(host, ':');
}

int listeners_open_network(const char *address) {
    char host[INET6_ADDRSTRLEN + 16] = "127.0.0.1";
    const char *port = DEFAULT_PORT;
    if (strcmp(address, "loopback") != 0 && !split_address(address, host, sizeof host, &port))
        return -EINVAL;
    const struct addrinfo hints = {.ai_socktype = SOCK_STREAM,
                                   .ai_flags = AI_NUMERICHOST | AI_NUMERICSERV | AI_PASSIVE};
    struct addrinfo *found = NULL;
    if (getaddrinfo(host, port, &hints, &found) != 0)
        return -EINVAL;
    int one = 1;
    int fd = socket(found->ai_family, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    int result = fd < 0 ? -errno : fd;
    if (fd >= 0 && (setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one) < 0 ||
                    bind(fd, found->ai_addr, found->ai_addrlen) < 0 || listen(fd, BACKLOG) < 0)) {
        result = -errno;
        close(fd);
    }
    freeaddrinfo(found);
    return result;
}

void listeners_name(int file, char *text, size_t size) {
    struct sockaddr_storage address = {0};
    socklen_t length = sizeof address;
    char host[INET6_ADDRSTRLEN], port[8];
    if (size)
        text[0] = '\0';
    if (getsockname(file, (struct sockaddr *)&address, &length) < 0 ||
        address.ss_family == AF_UNIX ||
        getnameinfo((struct sockaddr *)&address, length, host, sizeof host, port, sizeof port,
                    NI_NUMERICHOST | NI_NUMERICSERV) != 0)
        return;
    snprintf(text, size, address.ss_family == AF_INET6 ? "[%s]:%s" : "%s:%s", host, port);
}

/* ---- the thread ---- */

static bool has_room(const struct listeners *listeners, bool network) {
    return atomic_load(&listeners->open[network]) <
           (network ? LISTENERS_NETWORK_MAX : LISTENERS_SOCKET_MAX);
}

static bool is_network(int file) {
    struct sockaddr_storage address = {0};
    socklen_t length = sizeof address;
    return getsockname(file, (struct sockaddr *)&address, &length) == 0 &&
           address.ss_family != AF_UNIX;
}

/* Takes one connection; false: there is none, or no descriptor for it. */
static bool take(struct listeners *listeners, int file, bool network) {
    struct sockaddr_storage address = {.ss_family = network ? AF_INET : AF_UNIX};
    socklen_t length = sizeof address;
    int connection =
        accept4(file, (struct sockaddr *)&address, &length, SOCK_CLOEXEC | SOCK_NONBLOCK);
    if (connection < 0) {
        if (errno == EMFILE || errno == ENFILE || errno == ENOMEM || errno == ENOBUFS)
            (void)poll(NULL, 0, NO_FILES_MS);
        return false;
    }
    atomic_fetch_add(&listeners->open[network], 1);
    /* Closes it where it cannot take it. */
    if (MHD_add_connection(listeners->http, connection, (struct sockaddr *)&address, length) !=
        MHD_YES)
        atomic_fetch_sub(&listeners->open[network], 1);
    return true;
}

static void *listen_thread(void *argument) {
    struct listeners *listeners = argument;
    while (!atomic_load(&listeners->ending)) {
        struct pollfd wait[FILES_MAX + 1] = {{.fd = listeners->wake, .events = POLLIN}};
        pthread_mutex_lock(&listeners->lock);
        for (size_t i = 0; i < FILES_MAX; i++) {
            int file = listeners->file[i];
            bool open = file >= 0 && has_room(listeners, is_network(file));
            wait[i + 1] = (struct pollfd){.fd = open ? file : -1, .events = POLLIN};
        }
        pthread_mutex_unlock(&listeners->lock);
        if (poll(wait, FILES_MAX + 1, -1) <= 0)
            continue;
        uint64_t count;
        if (wait[0].revents)
            (void)!read(listeners->wake, &count, sizeof count);
        pthread_mutex_lock(&listeners->lock);
        for (size_t i = 0; i < FILES_MAX; i++)
            if (wait[i + 1].revents && listeners->file[i] == wait[i + 1].fd)
                (void)take(listeners, listeners->file[i], is_network(listeners->file[i]));
        pthread_mutex_unlock(&listeners->lock);
    }
    return NULL;
}

static void wake(struct listeners *listeners) {
    uint64_t one = 1;
    while (write(listeners->wake, &one, sizeof one) < 0 && errno == EINTR) {
    }
}

int listeners_start(struct MHD_Daemon *http, struct listeners **listeners) {
    struct listeners *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->http = http;
    for (size_t i = 0; i < FILES_MAX; i++)
        made->file[i] = -1;
    pthread_mutex_init(&made->lock, NULL);
    made->wake = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    int result =
        made->wake < 0 ? -errno : -pthread_create(&made->thread, NULL, listen_thread, made);
    made->running = result == 0;
    if (result < 0)
        listeners_free(made);
    else
        *listeners = made;
    return result;
}

int listeners_add(struct listeners *listeners, int file) {
    int result = -ENOSPC;
    pthread_mutex_lock(&listeners->lock);
    for (size_t i = 0; result < 0 && i < FILES_MAX; i++) {
        if (listeners->file[i] >= 0)
            continue;
        listeners->file[i] = file;
        result = 0;
    }
    pthread_mutex_unlock(&listeners->lock);
    wake(listeners);
    return result;
}

void listeners_remove(struct listeners *listeners, int file) {
    pthread_mutex_lock(&listeners->lock);
    for (size_t i = 0; i < FILES_MAX; i++) {
        if (listeners->file[i] != file)
            continue;
        listeners->file[i] = -1;
        close(file);
        break;
    }
    pthread_mutex_unlock(&listeners->lock);
    wake(listeners);
}

void listeners_closed(struct listeners *listeners, bool network) {
    atomic_fetch_sub(&listeners->open[network], 1);
    if (!atomic_load(&listeners->ending))
        wake(listeners);
}

void listeners_stop(struct listeners *listeners) {
    if (!listeners || !listeners->running)
        return;
    atomic_store(&listeners->ending, true);
    wake(listeners);
    pthread_join(listeners->thread, NULL);
    listeners->running = false;
    for (size_t i = 0; i < FILES_MAX; i++) {
        if (listeners->file[i] >= 0)
            close(listeners->file[i]);
        listeners->file[i] = -1;
    }
}

void listeners_free(struct listeners *listeners) {
    if (!listeners)
        return;
    if (listeners->wake >= 0)
        close(listeners->wake);
    pthread_mutex_destroy(&listeners->lock);
    free(listeners);
}
