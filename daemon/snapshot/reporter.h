// SPDX-License-Identifier: Apache-2.0
/*
 * reporter.h - has each finished snapshot analysed, in a child process of low priority.
 *
 * The child is `cranktrap report FILE --json --out FILE.json`, so the daemon neither links the
 * report nor dies of it. One child at a time, in the order asked for.
 */
#ifndef CRANKTRAP_REPORTER_H
#define CRANKTRAP_REPORTER_H

#include <stddef.h>

struct reporter;

struct reporter_tap {
    void *context;
    /* On the reporter's thread. `status` is the child's exit status, or a negative errno. */
    void (*reported)(void *context, unsigned number, const char *path, int status);
};

/* Starts the thread. `program` is the path of `cranktrap` (copied). 0 or a negative errno. */
int reporter_start(const char *program, const struct reporter_tap *tap, struct reporter **reporter);

/* Any thread: asks for the report of snapshot `number` at `path`, to stand at `path` with .crank
 * replaced by .json. Never waits. 0 or -ENOMEM. */
int reporter_ask(struct reporter *reporter, unsigned number, const char *path);

/* Does what was asked for, ends the thread, frees. Takes NULL. */
void reporter_stop(struct reporter *reporter);

#endif
