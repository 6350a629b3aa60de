// SPDX-License-Identifier: Apache-2.0
/*
 * command_line.h - what a person said on the daemon's command line.
 */
#ifndef CRANKTRAP_COMMAND_LINE_H
#define CRANKTRAP_COMMAND_LINE_H

#include <stdbool.h>

struct command_line {
    const char *hookup;
    const char *state;
    const char *socket; /* NULL: in the state folder */
    const char *listen; /* NULL: not over TCP */
    const char *page;   /* NULL: where it is built or installed */
    bool until_end;     /* end when every board is a simulation at its end */
};

/*
 * Reads it; what is not said gets its standard value. The strings are those of `argv`. 0: go on; 1:
 * help or version was asked for, and is printed; 2: a wrong call, and stderr says which.
 */
int command_line_read(int argc, char **argv, struct command_line *line);

#endif
