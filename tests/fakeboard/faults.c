// SPDX-License-Identifier: Apache-2.0
/*
 * faults.c - reads commands.
 */
#include "faults.h"

#include <errno.h>
#include <math.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const struct {
    const char *name;
    bool has_amount;
} known[] = {
    [FAULT_DROP] = {"drop", true},           [FAULT_CORRUPT] = {"corrupt", true},
    [FAULT_DUPLICATE] = {"duplicate", true}, [FAULT_STALL] = {"stall", true},
    [FAULT_BABBLE] = {"babble", true},       [FAULT_VANISH] = {"vanish", true},
    [FAULT_RESTART] = {"restart", false},    [FAULT_QUIT] = {"quit", false},
};

static bool not_understood(const char *text) {
    fprintf(stderr,
            "fakeboard: '%s' is not understood: drop N, corrupt N, duplicate N, stall SECONDS, "
            "babble BYTES, vanish SECONDS, restart, quit\n",
            text);
    return false;
}

bool fault_parse(const char *text, struct fault_command *command) {
    char word[16] = "", more[2] = "";
    double amount = 0;
    int words = sscanf(text, "%15s %lf %1s", word, &amount, more);
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        if (strcmp(word, known[i].name) != 0)
            continue;
        if (words != (known[i].has_amount ? 2 : 1) || !(amount >= 0 && amount <= 1e9))
            return not_understood(text);
        *command = (struct fault_command){(enum fault)i, amount};
        return true;
    }
    return not_understood(text);
}

static int add_step(struct fault_script *script, const char *line) {
    char *end;
    double at_s = strtod(line, &end);
    struct fault_command command;
    if (end == line || !isfinite(at_s)) {
        not_understood(line);
        return -1;
    }
    if (script->count && at_s < script->step[script->count - 1].at_s) {
        fprintf(stderr, "fakeboard: '%s' stands behind a later time\n", line);
        return -1;
    }
    end += strspn(end, " \t");
    if (!fault_parse(end, &command))
        return -1;
    struct fault_step *larger = realloc(script->step, (script->count + 1) * sizeof *larger);
    if (!larger)
        return -1;
    script->step = larger;
    script->step[script->count++] = (struct fault_step){at_s, command};
    return 0;
}

int fault_script_read(const char *path, struct fault_script *script) {
    FILE *file = fopen(path, "r");
    if (!file) {
        fprintf(stderr, "fakeboard: %s: %s\n", path, strerror(errno));
        return -1;
    }
    char line[256];
    int result = 0;
    while (result == 0 && fgets(line, sizeof line, file)) {
        line[strcspn(line, "#\r\n")] = '\0';
        if (line[strspn(line, " \t")])
            result = add_step(script, line);
    }
    fclose(file);
    return result;
}

const struct fault_command *fault_script_due(const struct fault_script *script, double now_s) {
    if (script->next == script->count || script->step[script->next].at_s > now_s)
        return NULL;
    return &script->step[script->next].command;
}

void fault_script_free(struct fault_script *script) {
    free(script->step);
    *script = (struct fault_script){0};
}

bool fault_from_stdin(struct fault_command *command) {
    static char line[256];
    static size_t used;
    static bool ended;
    struct pollfd input = {.fd = STDIN_FILENO, .events = POLLIN};
    char byte;
    while (!ended && poll(&input, 1, 0) > 0) {
        if (read(STDIN_FILENO, &byte, 1) != 1) {
            ended = true;
        } else if (byte != '\n') {
            if (used + 1 < sizeof line)
                line[used++] = byte;
        } else {
            line[used] = '\0';
            used = 0;
            if (*line && fault_parse(line, command))
                return true;
        }
    }
    return false;
}
