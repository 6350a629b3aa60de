// SPDX-License-Identifier: Apache-2.0
/*
 * report.c - `cranktrap report`: which file is meant, and where its report goes.
 */
#include "report.h"

#include "command.h"
#include "night.h"
#include "night_study.h"
#include "night_words.h"
#include "print.h"
#include "report_sheet.h"
#include "report_stretch.h"

#include <errno.h>
#include <langinfo.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct choice {
    char *path;
    char title[160]; /* "" where a file was named */
    char *night[NIGHT_WORDS_MOST];
    size_t night_count;
};

/* What is written. */
struct form {
    bool json, sheet;
    struct report_text_settings text;
    struct report_sheet_settings paper; /* where `sheet` */
};

static void choice_done(struct choice *choice) {
    for (size_t i = 0; i < choice->night_count; i++)
        free(choice->night[i]);
    free(choice->path);
}

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
        double since_s = night_begin(line);
        if (night_wall(row) < since_s) /* of an earlier night: then all of them */
            since_s = (double)NAN;
        choice->night_count = night_words(&night, since_s, choice->night);
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

static int write_report(const struct form *form, const struct report *report, FILE *stream) {
    int result;
    if (form->sheet) {
        result = report_sheet(report, &form->paper, stream);
    } else if (form->json) {
        char *json = report_json(report);
        result = json && fputs(json, stream) >= 0 && fputc('\n', stream) != EOF ? 0 : -EIO;
        free(json);
    } else {
        result = report_text(report, &form->text, stream);
    }
    if (result == 0 && fflush(stream) != 0)
        result = -errno;
    return result;
}

/* To `--out` by way of a .part file, so that a reader never sees half a report. */
static int write_out(const struct command_line *line, const struct report *report,
                     const struct form *form) {
    char *part = NULL;
    if (asprintf(&part, "%s.part", line->out) < 0)
        return -ENOMEM;
    FILE *stream = fopen(part, "we");
    int result = stream ? write_report(form, report, stream) : -errno;
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

static const struct {
    const char *name;
    enum sheet_format format;
} sheets[] = {{"pdf", SHEET_PDF}, {"svg", SHEET_SVG}, {"png", SHEET_PNG}, {"html", SHEET_HTML}};

/* What stands behind the last point of a file's name; "" where none does. */
static const char *end_of(const char *path) {
    const char *slash = strrchr(path, '/');
    const char *name = slash ? slash + 1 : path;
    const char *point = strrchr(name, '.');
    return point && point > name ? point + 1 : "";
}

/* By the end of --out's name, where no option says it. 0 or COMMAND_USAGE. */
static int form_of_name(struct command_line *line, struct form *form) {
    const char *end = end_of(line->out);
    for (size_t i = 0; i < sizeof sheets / sizeof *sheets; i++) {
        if (strcasecmp(end, sheets[i].name) == 0) {
            form->sheet = true;
            form->paper.format = sheets[i].format;
            return 0;
        }
    }
    form->json = strcasecmp(end, "json") == 0;
    if (form->json || *end == '\0' || strcasecmp(end, "txt") == 0)
        return 0;
    return command_usage(line,
                         "--out %s: a name ends with .pdf, .svg, .png or .html (a sheet), .json, "
                         ".txt or nothing (text)",
                         line->out);
}

/* From --pdf and its like, or from the end of --out's name. 0 or COMMAND_USAGE. */
static int choose_form(struct command_line *line, struct form *form) {
    unsigned asked = line->json;
    const char *paper = command_option(line, "paper");
    form->json = line->json;
    for (size_t i = 0; i < sizeof sheets / sizeof *sheets; i++) {
        if (!command_flag(line, sheets[i].name))
            continue;
        asked++;
        form->sheet = true;
        form->paper.format = sheets[i].format;
    }
    if (asked > 1)
        return command_usage(line, "one of --json, --pdf, --png, --svg and --html");
    int wrong = asked == 0 && line->out ? form_of_name(line, form) : 0;
    if (wrong)
        return wrong;
    if (paper && strcasecmp(paper, "A4") != 0 && strcasecmp(paper, "letter") != 0)
        return command_usage(line, "--paper \"%s\": A4 or letter", paper);
    if (paper && !form->sheet)
        return command_usage(line, "--paper belongs to --pdf, --png, --svg or --html");
    form->paper.paper = paper && strcasecmp(paper, "letter") == 0 ? SHEET_LETTER : SHEET_A4;
    if (form->sheet && !line->out && isatty(STDOUT_FILENO))
        return command_usage(line, "--out FILE says where the sheet goes");
    return 0;
}

/* A snapshot or a file; an exit status, said. */
static int report_choice(const struct command_line *line, struct choice *choice,
                         struct report **report) {
    const char *word = line->argc > 1 ? line->argv[1] : NULL;
    int result = word && !is_number(word) ? choose_file(word, choice)
                                          : choose_from_night(line, word, choice);
    if (result < 0 || !choice->path)
        return COMMAND_COULD_NOT;
    char why[512] = "";
    char working_on[] = "analysing";
    result = report_make(choice->path, print_progress, working_on, report, why, sizeof why);
    print_progress_done();
    if (result == 0)
        return COMMAND_DONE;
    say_why(line, choice->path, why[0] ? why : command_why(result));
    return COMMAND_COULD_NOT;
}

/* What else may stand beside `--from`. 0 or COMMAND_USAGE. */
static int check_stretch(struct command_line *line, const char *from, const char *to,
                         const struct form *form) {
    if (to && !from)
        return command_usage(line, "--to belongs to --from");
    if (from && line->argc > 1)
        return command_usage(line, "--from is of the ring: without a number or file");
    if (from && form->sheet)
        return command_usage(line, "a sheet is of one attempt: --from gives text or --json");
    return 0;
}

int command_report(const struct command_line *given) {
    struct command_line line = *given;
    bool fail_on_fault = command_flag(&line, "fail-on-fault");
    bool ascii = command_flag(&line, "ascii");
    const char *from = command_option(&line, "from");
    const char *to = command_option(&line, "to");
    struct form form = {0};
    int wrong = choose_form(&line, &form);
    if (!wrong)
        wrong = command_words(&line, 0, 1);
    if (!wrong)
        wrong = check_stretch(&line, from, to, &form);
    if (wrong)
        return wrong;
    struct choice choice = {0};
    struct report *report = NULL;
    wrong = from ? report_stretch(&line, from, to, &report, choice.title, sizeof choice.title)
                 : report_choice(&line, &choice, &report);
    if (wrong) {
        choice_done(&choice);
        return wrong;
    }
    const char *title = choice.title[0] ? choice.title : NULL;
    form.text = (struct report_text_settings){
        .width = line.out ? 80 : print_width(stdout),
        .color = !line.out && isatty(STDOUT_FILENO) && !getenv("NO_COLOR"),
        .ascii = wants_ascii(ascii),
        .title = title,
    };
    form.paper.title = title;
    form.paper.night = (const char *const *)choice.night;
    form.paper.night_count = choice.night_count;
    int result = line.out ? write_out(&line, report, &form) : write_report(&form, report, stdout);
    bool fault = report_analysis(report)->verdict.fault != FAULT_NOTHING_FOUND;
    report_free(report);
    choice_done(&choice);
    if (result < 0)
        return COMMAND_COULD_NOT;
    return fail_on_fault && fault ? COMMAND_FAULT_FOUND : COMMAND_DONE;
}
