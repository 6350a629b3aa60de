// SPDX-License-Identifier: Apache-2.0
/*
 * faults.h - what the fake board is told to do wrong: commands, one a line, from stdin at once or
 * from a script at their time.
 *
 *     drop N | corrupt N | duplicate N     the next N packets (lines)
 *     stall SECONDS                        sends nothing for so long; then what it could hold
 *     babble BYTES                         so many random bytes
 *     vanish SECONDS                       the port goes, and comes back as another one
 *     restart                              a new boot id, scans counted anew
 *     quit
 */
#ifndef CRANKTRAP_FAKEBOARD_FAULTS_H
#define CRANKTRAP_FAKEBOARD_FAULTS_H

#include <stdbool.h>
#include <stddef.h>

enum fault {
    FAULT_DROP,
    FAULT_CORRUPT,
    FAULT_DUPLICATE,
    FAULT_STALL,
    FAULT_BABBLE,
    FAULT_VANISH,
    FAULT_RESTART,
    FAULT_QUIT
};

struct fault_command {
    enum fault fault;
    double amount;
};

struct fault_step {
    double at_s; /* of the board's own time */
    struct fault_command command;
};

struct fault_script {
    struct fault_step *step;
    size_t count, next;
};

/* One command; false (and says so on stderr) when it is none. */
bool fault_parse(const char *text, struct fault_command *command);

/* "SECONDS COMMAND" a line, in order of time; '#' begins a comment. 0, or -1 after saying why. */
int fault_script_read(const char *path, struct fault_script *script);

/* The step `next` where it is due at `now_s`, else NULL. Whoever runs it moves `next` on. */
const struct fault_command *fault_script_due(const struct fault_script *script, double now_s);

void fault_script_free(struct fault_script *script);

/* Commands from stdin, without waiting: true and `*command` while there are any. */
bool fault_from_stdin(struct fault_command *command);

#endif
