// SPDX-License-Identifier: Apache-2.0
/*
 * report.c - `cranktrap report`: which file is meant, and where its report goes.
 */
#include "report.h"

#include "command.h"
#include "night.h"
#include "print.h"

#include <errno.h>
#include <langinfo.h>
#include <locale.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct choice {
    char *path;
    char title[160]; /* "" where a file was named */
};

static int choose_file(const char *word, struct choice *choice) {
    choice->path = strdup(word);
    return choice->path ? 0 : -ENOMEM;
}

static void title_of(const struct night *night, const struct night_row *row, bool by_itself,
                     struct choice *choice) {
    size_t place = night_attempt_place(night, row);
    char what[64] = "";
    if (place)
        snprintf(what, sizeof what, "Attempt %zu of %zu, ", place, night->attempt_count);
    snprintf(choice->title, sizeof choice->title, "%ssnapshot %u%s", what, row->snapshot,
             !by_itself    ? ""
             : row->failed ? " (the latest that failed)"
                           : " (the latest; none failed)");
}

/* By number, or by itself the one that matters; says what is wrong. */
static int choose_from_night(const struct command_line *line, const char *word,
                             struct choice *choice) {
    struct night night = {0};
    int result = night_load(line, &night);
    const struct night_row *row = NULL;
    if (result == 0 && word) {
        unsigned long number = strtoul(word, NULL, 10);
        for (size_t i = 0; i < night.row_count; i++)
            if (night.rows[i].snapshot == number && (!row || night.rows[i].failed))
                row = &night.rows[i];
        if (!row)
            command_say(line, "there is no snapshot %s in %s; `cranktrap list` shows which are",
                        word, line->state);
    } else if (result == 0) {
        row = night_chosen(&night);
        if (!row)
            command_say(line, "nothing was caught yet in %s: no attempt, no trigger", line->state);
    }
    if (row) {
        title_of(&night, row, !word, choice);
        result = choose_file(row->path, choice);
    } else if (result == 0) {
        result = -ENOENT;
    }
    night_done(&night);
    return result;
}

static bool is_number(const char *word) {
    return *word && word[strspn(word, "0123456789")] == '\0';
}

static int write_report(const struct command_line *line, const struct report *report,
                        const struct report_text_settings *settings, FILE *stream) {
    int result;
    if (line->json) {
        char *json = report_json(report);
        result = json && fputs(json, stream) >= 0 && fputc('\n', stream) != EOF ? 0 : -EIO;
        free(json);
    } else {
        result = report_text(report, settings, stream);
    }
    if (result == 0 && fflush(stream) != 0)
        result = -errno;
    return result;
}

/* To `--out` by way of a .part file, so that a reader never sees half a report. */
static int write_out(const struct command_line *line, const struct report *report,
                     const struct report_text_settings *settings) {
    char *part = NULL;
    if (asprintf(&part, "%s.part", line->out) < 0)
        return -ENOMEM;
    FILE *stream = fopen(part, "we");
    int result = stream ? write_report(line, report, settings, stream) : -errno;
    if (stream && result == 0 && fsync(fileno(stream)) < 0)
        result = -errno;
    if (stream && fclose(stream) != 0 && result == 0)
        result = -errno;
    if (result == 0 && rename(part, line->out) < 0)
        result = -errno;
    if (result < 0) {
        command_say(line, "%s: %s", line->out, strerror(-result));
        unlink(part);
    }
    free(part);
    return result;
}

static bool wants_ascii(bool asked) {
    setlocale(LC_CTYPE, "");
    return asked || strcmp(nl_langinfo(CODESET), "UTF-8") != 0;
}

/* Some sentences begin with the file already. */
static void say_why(const struct command_line *line, const char *path, const char *why) {
    if (strncmp(why, path, strlen(path)) == 0)
        command_say(line, "%s", why);
    else
        command_say(line, "%s: %s", path, why);
}

int command_report(const struct command_line *given) {
    struct command_line line = *given;
    bool fail_on_fault = command_flag(&line, "fail-on-fault");
    bool ascii = command_flag(&line, "ascii");
    int wrong = command_words(&line, 0, 1);
    if (wrong)
        return wrong;
    const char *word = line.argc > 1 ? line.argv[1] : NULL;
    struct choice choice = {0};
    int result = word && !is_number(word) ? choose_file(word, &choice)
                                          : choose_from_night(&line, word, &choice);
    if (result < 0 || !choice.path)
        return COMMAND_COULD_NOT;

    struct report *report = NULL;
    char why[512] = "";
    char working_on[] = "analysing";
    result = report_make(choice.path, print_progress, working_on, &report, why, sizeof why);
    print_progress_done();
    if (result < 0) {
        say_why(&line, choice.path, why[0] ? why : command_why(result));
        free(choice.path);
        return COMMAND_COULD_NOT;
    }
    struct report_text_settings settings = {
        .width = line.out ? 80 : print_width(stdout),
        .color = !line.out && isatty(STDOUT_FILENO) && !getenv("NO_COLOR"),
        .ascii = wants_ascii(ascii),
        .title = choice.title[0] ? choice.title : NULL,
    };
    result = line.out ? write_out(&line, report, &settings)
                      : write_report(&line, report, &settings, stdout);
    bool fault = report_analysis(report)->verdict.fault != FAULT_NOTHING_FOUND;
    report_free(report);
    free(choice.path);
    if (result < 0)
        return COMMAND_COULD_NOT;
    return fail_on_fault && fault ? COMMAND_FAULT_FOUND : COMMAND_DONE;
}
