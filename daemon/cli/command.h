// SPDX-License-Identifier: Apache-2.0
/*
 * command.h - one file a command of `cranktrap`; this is what they share.
 */
#ifndef CRANKTRAP_COMMAND_H
#define CRANKTRAP_COMMAND_H

#include <stdbool.h>

enum command_status {
    COMMAND_DONE = 0,
    COMMAND_FAULT_FOUND = 1,
    COMMAND_USAGE = 2,
    COMMAND_COULD_NOT = 3
};

/* What every command was given. */
struct command_line {
    const char *state; /* --state DIR, or NULL: the system's */
    bool json;         /* --json */
    const char *out;   /* --out FILE, or NULL */
    int argc;          /* the rest: argv[0] is the command's name */
    char **argv;
};

struct command {
    const char *name;
    const char *usage;   /* "cranktrap keep [--before 20s] ..." */
    const char *summary; /* one line */
    const char *help;    /* the whole help after the usage */
    int (*run)(const struct command_line *line);
};

/* All commands in the order of the help, ended by a NULL name. */
extern const struct command commands[];

#endif
