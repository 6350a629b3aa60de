// SPDX-License-Identifier: Apache-2.0
/*
 * reporter.c - a thread with a queue; a child process for each report.
 */
#include "reporter.h"

#include <errno.h>
#include <pthread.h>
#include <signal.h>
#include <spawn.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

extern char **environ;

struct task {
    struct task *next;
    unsigned number;
    char *path;
};

struct reporter {
    char *program;
    struct reporter_tap tap;
    pthread_t thread;
    pthread_mutex_t lock;
    pthread_cond_t wake;
    struct task *first, *last;
    bool ending;
};

/* "…/0007.crank" -> "…/0007.json"; NULL without memory. */
static char *report_path(const char *path) {
    static const char crank[] = ".crank";
    size_t length = strlen(path);
    size_t suffix = sizeof crank - 1;
    if (length > suffix && strcmp(path + length - suffix, crank) == 0)
        length -= suffix;
    char *result = NULL;
    if (asprintf(&result, "%.*s.json", (int)length, path) < 0)
        return NULL;
    return result;
}

/* Runs the child and waits for it: its exit status or a negative errno. */
static int run_child(const struct reporter *reporter, const char *path) {
    char *out = report_path(path);
    char *copy = strdup(path);
    int result = -ENOMEM;
    if (!out || !copy)
        goto done;
    char report[] = "report", json[] = "--json", out_option[] = "--out";
    char *arguments[] = {reporter->program, report, copy, json, out_option, out, NULL};

    /* The daemon blocks signals in its threads; a child must not inherit that. */
    posix_spawnattr_t attributes;
    sigset_t none;
    sigemptyset(&none);
    result = -posix_spawnattr_init(&attributes);
    if (result)
        goto done;
    posix_spawnattr_setsigmask(&attributes, &none);
    posix_spawnattr_setflags(&attributes, POSIX_SPAWN_SETSIGMASK);
    pid_t child;
    result = -posix_spawn(&child, reporter->program, NULL, &attributes, arguments, environ);
    posix_spawnattr_destroy(&attributes);
    if (result)
        goto done;
    (void)setpriority(PRIO_PROCESS, (id_t)child, 10); /* acquisition comes first */
    int status;
    while (waitpid(child, &status, 0) < 0) {
        if (errno != EINTR) {
            result = -errno;
            goto done;
        }
    }
    result = WIFEXITED(status) ? WEXITSTATUS(status) : -ECHILD;
done:
    free(copy);
    free(out);
    return result;
}

static void *reporter_thread(void *argument) {
    struct reporter *reporter = argument;
    pthread_mutex_lock(&reporter->lock);
    for (;;) {
        while (!reporter->first && !reporter->ending)
            pthread_cond_wait(&reporter->wake, &reporter->lock);
        struct task *task = reporter->first;
        if (!task)
            break;
        reporter->first = task->next;
        if (!reporter->first)
            reporter->last = NULL;
        pthread_mutex_unlock(&reporter->lock);
        int status = run_child(reporter, task->path);
        reporter->tap.reported(reporter->tap.context, task->number, task->path, status);
        free(task->path);
        free(task);
        pthread_mutex_lock(&reporter->lock);
    }
    pthread_mutex_unlock(&reporter->lock);
    return NULL;
}

int reporter_start(const char *program, const struct reporter_tap *tap,
                   struct reporter **reporter) {
    struct reporter *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->tap = *tap;
    made->program = strdup(program);
    int result = made->program ? 0 : -ENOMEM;
    if (result)
        goto failed;
    pthread_mutex_init(&made->lock, NULL);
    pthread_cond_init(&made->wake, NULL);
    result = -pthread_create(&made->thread, NULL, reporter_thread, made);
    if (result) {
        pthread_cond_destroy(&made->wake);
        pthread_mutex_destroy(&made->lock);
        goto failed;
    }
    *reporter = made;
    return 0;
failed:
    free(made->program);
    free(made);
    return result;
}

int reporter_ask(struct reporter *reporter, unsigned number, const char *path) {
    struct task *task = calloc(1, sizeof *task);
    char *copy = strdup(path);
    if (!task || !copy) {
        free(task);
        free(copy);
        return -ENOMEM;
    }
    task->number = number;
    task->path = copy;
    pthread_mutex_lock(&reporter->lock);
    if (reporter->last)
        reporter->last->next = task;
    else
        reporter->first = task;
    reporter->last = task;
    pthread_cond_signal(&reporter->wake);
    pthread_mutex_unlock(&reporter->lock);
    return 0;
}

void reporter_stop(struct reporter *reporter) {
    if (!reporter)
        return;
    pthread_mutex_lock(&reporter->lock);
    reporter->ending = true;
    pthread_cond_signal(&reporter->wake);
    pthread_mutex_unlock(&reporter->lock);
    pthread_join(reporter->thread, NULL);
    pthread_cond_destroy(&reporter->wake);
    pthread_mutex_destroy(&reporter->lock);
    free(reporter->program);
    free(reporter);
}
