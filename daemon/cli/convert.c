// SPDX-License-Identifier: Apache-2.0
/*
 * convert.c - `cranktrap convert`: a record for other programs.
 */
#include "export.h"

#include "command.h"
#include "night.h"
#include "print.h"

#include <errno.h>
#include <inttypes.h>
#include <jansson.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FILES_MOST 1000000

static void print_files(const struct export_result *result) {
    for (size_t i = 0; i < result->count; i++) {
        const struct export_file *file = &result->files[i];
        char rows[32], missing[32];
        printf("%s: %s rows, %zu channel%s of board %s\n", file->path,
               print_count((double)file->rows, rows, sizeof rows), file->channels,
               file->channels == 1 ? "" : "s", file->board);
        if (file->losses)
            printf("  %" PRIu64 " loss%s inside, %s rows counted as missing (docs/convert.md "
                   "says where they are told)\n",
                   file->losses, file->losses == 1 ? "" : "es",
                   print_count((double)file->missing, missing, sizeof missing));
        if (file->pauses)
            printf("  %" PRIu64 " pauses between its bursts, %.3g s in all, by design\n",
                   file->pauses, file->pauses_s);
    }
}

static json_t *files_json(const struct export_result *result) {
    json_t *list = json_array();
    for (size_t i = 0; i < result->count; i++) {
        const struct export_file *file = &result->files[i];
        json_array_append_new(
            list, json_pack("{s:s, s:s, s:I, s:I, s:I, s:I, s:I, s:f}", "file", file->path, "board",
                            file->board, "channels", (json_int_t)file->channels, "rows",
                            (json_int_t)file->rows, "losses", (json_int_t)file->losses, "missing",
                            (json_int_t)file->missing, "pauses", (json_int_t)file->pauses,
                            "pauses_s", file->pauses_s));
    }
    return list;
}

/* A time on the record's own axis; false: said what is wrong with it. */
static bool read_time(const struct command_line *line, const char *name, const char *text,
                      double *seconds) {
    if (!text)
        return true;
    *seconds = print_read_seconds(text);
    if (*seconds >= 0)
        return true;
    (void)command_usage(line, "--%s \"%s\": a time from the record's beginning: 21.5s, 300ms, 2h",
                        name, text);
    return false;
}

/* The file of a snapshot by its number, allocated; NULL: said why not. */
static char *find_snapshot(const struct command_line *line, const char *word) {
    struct night night = {0};
    unsigned long number = strtoul(word, NULL, 10);
    const char *path = NULL;
    int result = night_load(line, &night);
    for (size_t i = 0; result == 0 && i < night.row_count && !path; i++)
        if (night.rows[i].snapshot == number)
            path = night.rows[i].path;
    char *copy = path ? strdup(path) : NULL;
    if (result == 0 && !path)
        command_say(line, "there is no snapshot %s in %s; `cranktrap list` shows which are", word,
                    line->state);
    night_done(&night);
    return copy;
}

static int convert(const struct command_line *line, const char *const *paths, size_t count,
                   const struct export_settings *settings) {
    struct playback *playback = NULL;
    struct export_result result = {0};
    char why[512] = "";
    int error = playback_open(paths, count, &playback, why, sizeof why);
    if (error < 0) {
        bool named = strncmp(why, paths[0], strlen(paths[0])) == 0 || count > 1;
        command_say(line, "%s%s%s", named ? "" : paths[0], named ? "" : ": ", why);
        return COMMAND_COULD_NOT;
    }
    error = export_record(playback, line->out, settings, &result, why, sizeof why);
    print_progress_done();
    int status = error < 0 ? COMMAND_COULD_NOT : COMMAND_DONE;
    if (error < 0)
        command_say(line, "%s", why);
    else if (line->json)
        status = print_json(
            json_pack("{s:s, s:o}", "schema", "cranktrap.convert/1", "files", files_json(&result)));
    else
        print_files(&result);
    export_result_done(&result);
    playback_free(playback);
    return status;
}

int command_convert(const struct command_line *given) {
    struct command_line line = *given;
    char working_on[] = "converting";
    struct export_settings settings = {.from_s = -(double)INFINITY,
                                       .to_s = (double)INFINITY,
                                       .counts = command_flag(&line, "counts"),
                                       .progress = print_progress,
                                       .context = working_on};
    const char *from = command_option(&line, "from");
    const char *to = command_option(&line, "to");
    int wrong = command_words(&line, 1, FILES_MOST);
    if (wrong)
        return wrong;
    if (!line.out)
        return command_usage(&line,
                             "--out says where it goes, and its end the format: .csv, .npy, .h5, "
                             ".wav or .cfg");
    if (!read_time(&line, "from", from, &settings.from_s) ||
        !read_time(&line, "to", to, &settings.to_s))
        return COMMAND_USAGE;
    if (!(settings.from_s < settings.to_s))
        return command_usage(&line, "--from must be before --to");
    const char *word = line.argv[1];
    char *path = NULL;
    if (line.argc > 2 || !*word || word[strspn(word, "0123456789")])
        return convert(&line, (const char *const *)line.argv + 1, (size_t)line.argc - 1, &settings);
    path = find_snapshot(&line, word);
    int status = COMMAND_COULD_NOT;
    if (path)
        status = convert(&line, (const char *const *)&path, 1, &settings);
    free(path);
    return status;
}
