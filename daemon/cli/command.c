// SPDX-License-Identifier: Apache-2.0
/*
 * command.c - reading a command's options, and saying what is wrong with them.
 */
#include "command.h"

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

void command_say(const struct command_line *line, const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    fprintf(stderr, "cranktrap %s: ", line->command->name);
    vfprintf(stderr, format, arguments);
    fputc('\n', stderr);
    va_end(arguments);
}

const char *command_why(int error) {
    return error == -EACCES ? "no right to read it; ask as a member of the group cranktrap"
                            : strerror(-error);
}

int command_usage(const struct command_line *line, const char *format, ...) {
    va_list arguments;
    va_start(arguments, format);
    fprintf(stderr, "cranktrap %s: ", line->command->name);
    vfprintf(stderr, format, arguments);
    fprintf(stderr, "\nusage: cranktrap %s %s\n", line->command->name, line->command->arguments);
    va_end(arguments);
    return COMMAND_USAGE;
}

static void take_out(struct command_line *line, int index, int count) {
    for (int i = index; i + count < line->argc; i++)
        line->argv[i] = line->argv[i + count];
    line->argc -= count;
}

const char *command_option(struct command_line *line, const char *name) {
    size_t length = strlen(name);
    for (int i = 1; i < line->argc; i++) {
        const char *word = line->argv[i];
        if (strncmp(word, "--", 2) != 0 || strncmp(word + 2, name, length) != 0)
            continue;
        const char *rest = word + 2 + length;
        if (*rest == '=') {
            take_out(line, i, 1);
            return rest + 1;
        }
        if (*rest)
            continue;
        const char *value = i + 1 < line->argc ? line->argv[i + 1] : "";
        take_out(line, i, i + 1 < line->argc ? 2 : 1);
        return value;
    }
    return NULL;
}

bool command_flag(struct command_line *line, const char *name) {
    for (int i = 1; i < line->argc; i++) {
        const char *word = line->argv[i];
        if (strncmp(word, "--", 2) == 0 && strcmp(word + 2, name) == 0) {
            take_out(line, i, 1);
            return true;
        }
    }
    return false;
}

int command_words(const struct command_line *line, int least, int most) {
    for (int i = 1; i < line->argc; i++)
        if (line->argv[i][0] == '-' && line->argv[i][1])
            return command_usage(line, "\"%s\" is not an option of this command", line->argv[i]);
    int words = line->argc - 1;
    if (words > most)
        return command_usage(line, "\"%s\" is one word too many", line->argv[most + 1]);
    if (words < least)
        return command_usage(line, "something is missing");
    return 0;
}
