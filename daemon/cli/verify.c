// SPDX-License-Identifier: Apache-2.0
/*
 * verify.c - `cranktrap verify`: is a file whole, and if not, what is wrong where.
 */
#include "command.h"
#include "container.h"
#include "print.h"

#include <jansson.h>
#include <stdio.h>

static const char *state_name(enum container_state state) {
    switch (state) {
    case CONTAINER_WHOLE:
        return "whole";
    case CONTAINER_NOT_OURS:
        return "not-ours";
    case CONTAINER_NEWER:
        return "newer";
    case CONTAINER_TRUNCATED:
        return "truncated";
    case CONTAINER_CORRUPT:
        return "corrupt";
    case CONTAINER_IO_ERROR:
        break;
    }
    return "io-error";
}

int command_verify(const struct command_line *given) {
    struct command_line line = *given;
    int wrong = command_words(&line, 1, 1);
    if (wrong)
        return wrong;
    char text[512];
    enum container_state state = container_verify(line.argv[1], text, sizeof text);
    if (line.json)
        (void)print_json(json_pack("{s:s, s:s, s:s, s:s}", "schema", "cranktrap.verify/1", "file",
                                   line.argv[1], "state", state_name(state), "text", text));
    else
        printf("%s: %s\n", line.argv[1], text);
    return (int)state;
}
