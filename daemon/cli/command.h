// SPDX-License-Identifier: Apache-2.0
/*
 * command.h - one file a command of `cranktrap`; this is what they share.
 */
#ifndef CRANKTRAP_COMMAND_H
#define CRANKTRAP_COMMAND_H

#include <stdbool.h>

/* Exit status. `verify` has its own (container.h). */
enum command_status {
    COMMAND_DONE = 0,
    COMMAND_FAULT_FOUND = 1, /* report --fail-on-fault */
    COMMAND_USAGE = 2,
    COMMAND_COULD_NOT = 3
};

/* What a command was given. The options every command takes are read already. */
struct command_line {
    const struct command *command;
    const char *state; /* --state DIR, else the system's; never NULL */
    bool state_given;
    bool json;       /* --json */
    const char *out; /* --out FILE, or NULL */
    int argc;        /* the rest: argv[0] is the command's name */
    char **argv;
};

struct command {
    const char *name;
    const char *arguments; /* after the name, as printed: "FILE [--hookup FILE]" */
    const char *summary;   /* one line */
    const char *help;      /* more, or NULL */
    int (*run)(const struct command_line *line);
};

/* All commands in the order of the help, ended by a NULL name. */
extern const struct command commands[];

/* One file each (NAME.c). What they return is the program's exit status. */
int command_hookup(const struct command_line *line);
int command_boards(const struct command_line *line);
int command_ready(const struct command_line *line);
int command_status(const struct command_line *line);
int command_now(const struct command_line *line);
int command_phone(const struct command_line *line);
int command_keep(const struct command_line *line);
int command_list(const struct command_line *line);
int command_night(const struct command_line *line);
int command_report(const struct command_line *line);
int command_compare(const struct command_line *line);
int command_convert(const struct command_line *line);
int command_import(const struct command_line *line);
int command_verify(const struct command_line *line);

/* Says on stderr "cranktrap NAME: ..." and a newline. */
void command_say(const struct command_line *line, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/* What a negative errno of a file in the state folder means, and what to do about it. */
const char *command_why(int error);

/* Says it, then how the command is called; returns COMMAND_USAGE. */
int command_usage(const struct command_line *line, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

/*
 * Takes `--NAME VALUE` or `--NAME=VALUE` out of the rest: its value, or NULL where it is not
 * there. A missing value gives "".
 */
const char *command_option(struct command_line *line, const char *name);

/* Takes `--NAME` out of the rest: was it there? */
bool command_flag(struct command_line *line, const char *name);

/*
 * After all options were taken: exactly `least`..`most` words may be left. 0, or COMMAND_USAGE
 * with the message said ("--colour" is not an option; too many words ...).
 */
int command_words(const struct command_line *line, int least, int most);

#endif
