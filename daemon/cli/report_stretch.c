// SPDX-License-Identifier: Apache-2.0
/*
 * report_stretch.c - a stretch of the ring as a report.
 */
#include "report_stretch.h"

#include "moment.h"
#include "print.h"
#include "ring_reader.h"

#include <errno.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <time.h>

/* The ends of a record are found to the second: nobody asks for them more exactly. */
#define MISSING_LEAST_S 1.0

static const char *date_of(double wall_s, char *text, size_t size) {
    time_t seconds = (time_t)floor(wall_s);
    struct tm local;
    if (!localtime_r(&seconds, &local) || !strftime(text, size, "%Y-%m-%d %H:%M:%S", &local))
        snprintf(text, size, "?");
    return text;
}

static int read_time(const struct command_line *line, const char *option, const char *text,
                     double end_s, double *wall_s) {
    *wall_s = moment_read(text, end_s);
    if (!isnan(*wall_s))
        return COMMAND_DONE;
    return command_usage(line, "--%s \"%s\": a TIME like 2026-01-15T04:12:07, 04:12 or -90s",
                         option, text);
}

static int64_t whole_ns(double seconds) {
    double ns = seconds * 1e9;
    return !(fabs(ns) < 0x1p62) ? (ns < 0 ? INT64_MIN : INT64_MAX) : llround(ns);
}

/* Every segment is a file of its own. */
static void allow_many_files(void) {
    struct rlimit limit;
    if (getrlimit(RLIMIT_NOFILE, &limit) < 0)
        return;
    limit.rlim_cur = limit.rlim_max;
    (void)setrlimit(RLIMIT_NOFILE, &limit);
}

/* What was asked for and is not there: pruned, or not recorded. */
static void say_missing(const struct command_line *line, struct playback *playback, double from_s,
                        double to_s) {
    const struct record *record = playback_record(playback);
    double wall_s = (double)playback_wall_ns(playback) * 1e-9;
    char date[40];
    if (wall_s + record->from_s > from_s + MISSING_LEAST_S)
        command_say(line, "the ring holds nothing of this stretch before %s, or of another hookup",
                    date_of(wall_s + record->from_s, date, sizeof date));
    if (isfinite(to_s) && wall_s + record->to_s < to_s - MISSING_LEAST_S)
        command_say(line, "the ring holds nothing of this stretch after %s, or of another hookup",
                    date_of(wall_s + record->to_s, date, sizeof date));
}

static int analyse(const struct command_line *line, const struct ring_reader *reader,
                   const char *folder, double from_s, double to_s, struct report **report) {
    struct playback *playback = NULL;
    char why[512] = "";
    char working_on[] = "analysing";
    allow_many_files();
    int result =
        ring_reader_play(reader, whole_ns(from_s), whole_ns(to_s), &playback, why, sizeof why);
    if (!result) {
        say_missing(line, playback, from_s, to_s);
        result =
            report_make_of(playback, folder, print_progress, working_on, report, why, sizeof why);
        print_progress_done();
    }
    if (!result)
        return COMMAND_DONE;
    command_say(line, "%s", why[0] ? why : command_why(result));
    return COMMAND_COULD_NOT;
}

static int open_and_analyse(const struct command_line *line, const char *folder, const char *from,
                            const char *to, struct report **report, char *title,
                            size_t title_size) {
    struct ring_reader *reader = NULL;
    double from_s = 0, to_s = (double)INFINITY; /* all that is there by then */
    char why[512] = "", begin[40], end[40];
    int result = ring_reader_open(folder, &reader, why, sizeof why);
    if (result < 0) {
        command_say(line, "%s", result == -EACCES ? command_why(result) : why);
        return COMMAND_COULD_NOT;
    }
    double end_s = (double)ring_reader_end_ns(reader) * 1e-9;
    int wrong = read_time(line, "from", from, end_s, &from_s);
    if (!wrong && from_s >= end_s) {
        command_say(line, "--from \"%s\": the record ends at %s; name the day as well", from,
                    date_of(end_s, end, sizeof end));
        wrong = COMMAND_COULD_NOT;
    }
    if (!wrong && to)
        wrong = read_time(line, "to", to, end_s, &to_s);
    if (!wrong && to && to_s <= from_s)
        wrong = command_usage(line, "--to lies before --from");
    if (!wrong)
        wrong = analyse(line, reader, folder, from_s, to_s, report);
    if (!wrong)
        snprintf(title, title_size, "The ring from %s to %s", date_of(from_s, begin, sizeof begin),
                 date_of(fmin(to_s, end_s), end, sizeof end));
    ring_reader_free(reader);
    return wrong;
}

int report_stretch(const struct command_line *line, const char *from, const char *to,
                   struct report **report, char *title, size_t title_size) {
    char *folder = NULL;
    if (asprintf(&folder, "%s/ring", line->state) < 0)
        return COMMAND_COULD_NOT;
    int result = open_and_analyse(line, folder, from, to, report, title, title_size);
    free(folder);
    return result;
}
