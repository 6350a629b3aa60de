// SPDX-License-Identifier: Apache-2.0
/*
 * child.c - two pipes, a deadline, and a signal where it does not keep to its bounds.
 */
#include "child.h"

#include "monotonic.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#define LOOK_MS    100 /* how often it is looked whether to give up */
#define PIECE_SIZE 65536u

extern char **environ;

struct child {
    pid_t process;
    int output, errors; /* our ends of the pipes; -1: at its end */
    size_t used, bound;
    char *bytes;
    char said[512];
    size_t said_used;
};

static int spawn(char *const arguments[], int output, int errors, pid_t *process) {
    posix_spawnattr_t attributes;
    posix_spawn_file_actions_t files;
    sigset_t none, broken_pipe;
    sigemptyset(&none);
    sigemptyset(&broken_pipe);
    sigaddset(&broken_pipe, SIGPIPE);
    int result = -posix_spawnattr_init(&attributes);
    if (result)
        return result;
    result = -posix_spawn_file_actions_init(&files);
    if (result)
        goto no_files;
    /* The daemon blocks and ignores signals; a child must not inherit that. */
    posix_spawnattr_setsigmask(&attributes, &none);
    posix_spawnattr_setsigdefault(&attributes, &broken_pipe);
    posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF);
    result = -posix_spawn_file_actions_addopen(&files, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
    if (!result)
        result = -posix_spawn_file_actions_adddup2(&files, output, STDOUT_FILENO);
    if (!result)
        result = -posix_spawn_file_actions_adddup2(&files, errors, STDERR_FILENO);
    if (!result)
        result = -posix_spawn(process, arguments[0], &files, &attributes, arguments, environ);
    posix_spawn_file_actions_destroy(&files);
no_files:
    posix_spawnattr_destroy(&attributes);
    return result;
}

static int begin(struct child *child, char *const arguments[]) {
    int output[2], errors[2];
    if (pipe2(output, O_CLOEXEC) < 0)
        return -errno;
    if (pipe2(errors, O_CLOEXEC) < 0) {
        int result = -errno;
        close(output[0]);
        close(output[1]);
        return result;
    }
    int result = spawn(arguments, output[1], errors[1], &child->process);
    close(output[1]);
    close(errors[1]);
    child->output = output[0];
    child->errors = errors[0];
    if (result == 0)
        (void)setpriority(PRIO_PROCESS, (id_t)child->process, 10);
    return result;
}

static int take_output(struct child *child) {
    char *grown = realloc(child->bytes, child->used + PIECE_SIZE + 1);
    if (!grown)
        return -ENOMEM;
    child->bytes = grown;
    ssize_t count = read(child->output, grown + child->used, PIECE_SIZE);
    if (count < 0)
        return errno == EINTR ? 0 : -errno;
    child->used += (size_t)count;
    grown[child->used] = '\0';
    if (count == 0) {
        close(child->output);
        child->output = -1;
    }
    return child->used > child->bound ? -EFBIG : 0;
}

/* Keeps the last line that has anything in it. */
static void take_errors(struct child *child) {
    char piece[512];
    ssize_t count = read(child->errors, piece, sizeof piece);
    if (count <= 0) {
        if (count < 0 && errno == EINTR)
            return;
        close(child->errors);
        child->errors = -1;
        return;
    }
    for (ssize_t i = 0; i < count; i++) {
        bool after_end = child->said_used && child->said[child->said_used - 1] == '\n';
        if (piece[i] == '\n' && (after_end || !child->said_used))
            continue;
        if (after_end)
            child->said_used = 0;
        if (child->said_used < sizeof child->said - 2 || piece[i] == '\n')
            child->said[child->said_used++] = piece[i];
    }
}

static int listen_to(struct child *child, int64_t deadline_ms, const atomic_bool *cancel) {
    int result = 0;
    while (result == 0 && (child->output >= 0 || child->errors >= 0)) {
        struct pollfd wait[2] = {{.fd = child->output, .events = POLLIN},
                                 {.fd = child->errors, .events = POLLIN}};
        int ready = poll(wait, 2, LOOK_MS);
        if (ready < 0 && errno != EINTR)
            return -errno;
        if (ready > 0 && wait[0].revents)
            result = take_output(child);
        if (ready > 0 && wait[1].revents)
            take_errors(child);
        if (result == 0 && atomic_load(cancel))
            result = -ECANCELED;
        if (result == 0 && monotonic_ms() > deadline_ms)
            result = -ETIMEDOUT;
    }
    return result;
}

static int finish(struct child *child, int result) {
    if (result < 0)
        kill(child->process, SIGKILL);
    int status;
    while (waitpid(child->process, &status, 0) < 0)
        if (errno != EINTR)
            return result < 0 ? result : -errno;
    if (result < 0)
        return result;
    return WIFEXITED(status) ? WEXITSTATUS(status) : -ECHILD;
}

int child_run(char *const arguments[], double seconds, size_t bytes, const atomic_bool *cancel,
              struct child_output *output) {
    struct child child = {.bound = bytes, .output = -1, .errors = -1};
    int64_t deadline_ms = monotonic_ms() + (int64_t)(seconds * 1000);
    int result = begin(&child, arguments);
    if (result == 0)
        result = finish(&child, listen_to(&child, deadline_ms, cancel));
    if (child.output >= 0)
        close(child.output);
    if (child.errors >= 0)
        close(child.errors);
    while (child.said_used && child.said[child.said_used - 1] == '\n')
        child.said_used--;
    memcpy(output->said, child.said, child.said_used);
    output->said[child.said_used] = '\0';
    if (result < 0) {
        free(child.bytes);
        return result;
    }
    output->bytes = child.bytes;
    output->size = child.used;
    return result;
}
