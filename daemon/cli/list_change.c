// SPDX-License-Identifier: Apache-2.0
/*
 * list_change.c - changes asked for on the command line, in the order of the table.
 */
#include "list_change.h"

#include "client.h"
#include "remark.h"
#include "standing.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* An option, what it makes of a snapshot, and how that is said. */
static const struct kind {
    const char *option;
    struct remark_change change;
    bool has_text, deletes;
    const char *said;
} kinds[] = {
    {"clear", {0, 0, 0, NULL}, false, false, "not reviewed, held or good any more"},
    {"reviewed", {1, -1, -1, NULL}, false, false, "reviewed"},
    {"hold", {-1, 1, -1, NULL}, false, false, "held: it stays"},
    {"good", {-1, -1, 1, NULL}, false, false, "good: one to compare others with; it stays"},
    {"note", {-1, -1, -1, NULL}, true, false, "noted"},
    {"delete", {-1, -1, -1, NULL}, false, true, "deleted"},
};
#define KINDS (sizeof kinds / sizeof kinds[0])

/* The number of a snapshot; 0: it is none. */
static unsigned read_number(const char *text) {
    char *end;
    errno = 0;
    unsigned long number = strtoul(text, &end, 10);
    bool wrong = errno || end == text || *end || text[0] == '-' || number > 999999;
    return wrong ? 0 : (unsigned)number;
}

/* ---- where the daemon runs, it does it ---- */

static void set_flag(json_t *body, const char *name, int flag) {
    if (flag >= 0)
        json_object_set_new(body, name, json_boolean(flag));
}

static int ask_daemon(const struct command_line *line, const struct kind *kind, unsigned number,
                      const char *text) {
    char path[40];
    json_t *answer = NULL;
    json_t *body = json_object();
    set_flag(body, "reviewed", kind->change.reviewed);
    set_flag(body, "hold", kind->change.hold);
    set_flag(body, "good", kind->change.good);
    if (text)
        json_object_set_new(body, "note", json_string(text));
    snprintf(path, sizeof path, "/v0/snapshots/%u", number);
    int result = client_ask(line, kind->deletes ? "DELETE" : "POST", path,
                            kind->deletes ? NULL : body, false, &answer);
    json_decref(answer);
    json_decref(body);
    return result;
}

/* ---- else the folder is ours ---- */

static void say_refused(const struct command_line *line, unsigned number, enum standing standing) {
    if (standing == STANDING_UNREVIEWED)
        command_say(line,
                    "snapshot %u may not go: it is not reviewed, and it has a fault, a failed "
                    "attempt, or no report yet; look at it (`cranktrap report %u`), then "
                    "`cranktrap list --reviewed %u`",
                    number, number, number);
    else
        command_say(line,
                    "snapshot %u may not go: it is %s; `cranktrap list --clear %u` undoes that",
                    number, standing_name(standing), number);
}

static void say_why(const struct command_line *line, const char *folder, unsigned number,
                    int result) {
    if (result == -ENOENT)
        command_say(line, "there is no snapshot %u in %s; `cranktrap list` shows what there is",
                    number, folder);
    else if (result == -EPERM)
        say_refused(line, number, standing_of(folder, number));
    else
        command_say(line, "snapshot %u in %s: %s", number, folder, command_why(result));
}

static int do_here(const struct command_line *line, const struct kind *kind, unsigned number,
                   const char *text) {
    char *folder = NULL;
    if (asprintf(&folder, "%s/snapshots", line->state) < 0)
        return -ENOMEM;
    struct remark_change change = kind->change;
    change.text = text;
    int result =
        kind->deletes ? standing_remove(folder, number) : remark_change(folder, number, &change);
    if (result < 0)
        say_why(line, folder, number, result);
    free(folder);
    return result;
}

/* ---- the command line ---- */

struct wish {
    const struct kind *kind;
    unsigned number;
};
#define WISHES 100

/* Takes the options out. How many, or -1 with what is wrong said. */
static int read_wishes(struct command_line *line, struct wish wishes[WISHES]) {
    int count = 0;
    for (size_t i = 0; i < KINDS; i++)
        for (const char *value; (value = command_option(line, kinds[i].option)) != NULL; count++) {
            if (count == WISHES) {
                command_usage(line, "more than %d changes in one call", WISHES);
                return -1;
            }
            wishes[count] = (struct wish){&kinds[i], read_number(value)};
            if (wishes[count].number == 0) {
                command_usage(line, "--%s \"%s\": the number of a snapshot, as `list` shows it",
                              kinds[i].option, value);
                return -1;
            }
        }
    return count;
}

static bool daemon_runs(const struct command_line *line) {
    json_t *status = NULL;
    int result = client_ask(line, "GET", "/v0/status", NULL, true, &status);
    json_decref(status);
    return result != -ENOENT && result != -ECONNREFUSED;
}

int list_change(struct command_line *line, unsigned *changes) {
    struct wish wishes[WISHES];
    int count = read_wishes(line, wishes);
    if (count < 0)
        return COMMAND_USAGE;
    int texts = 0;
    for (int i = 0; i < count; i++)
        texts += wishes[i].kind->has_text;
    if (texts > 1)
        return command_usage(line, "one --note in a call");
    int wrong = command_words(line, texts, texts);
    if (wrong)
        return wrong;
    bool by_daemon = count > 0 && daemon_runs(line);
    for (int i = 0; i < count; i++) {
        const struct kind *kind = wishes[i].kind;
        const char *text = kind->has_text ? line->argv[1] : NULL;
        int result = by_daemon ? ask_daemon(line, kind, wishes[i].number, text)
                               : do_here(line, kind, wishes[i].number, text);
        if (result < 0)
            return COMMAND_COULD_NOT;
        if (!line->json)
            printf("Snapshot %u: %s.\n", wishes[i].number, kind->said);
    }
    *changes = (unsigned)count;
    return COMMAND_DONE;
}
