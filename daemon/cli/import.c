// SPDX-License-Identifier: Apache-2.0
/*
 * import.c - `cranktrap import`: a CSV recording becomes a .crank file.
 */
#include "import.h"

#include "command.h"
#include "print.h"

#include <inttypes.h>
#include <jansson.h>
#include <stdio.h>
#include <string.h>

static void print_result(const char *out, const struct import_result *result) {
    char rows[32];
    printf("%s: %s rows, %zu channel%s, %.6g scans/s\n", out,
           print_count((double)result->rows, rows, sizeof rows), result->channels,
           result->channels == 1 ? "" : "s", result->rate_hz);
    if (result->missing)
        printf("%" PRIu64 " rows are missing inside; they are kept as losses\n", result->missing);
    printf("row times are even within %.2g of a period\n", result->worst_jitter);
}

int command_import(const struct command_line *given) {
    struct command_line line = *given;
    const char *hookup = command_option(&line, "hookup");
    int wrong = command_words(&line, 1, 1);
    if (wrong)
        return wrong;
    if (!hookup || !*hookup || !line.out)
        return command_usage(&line, "--hookup says what the columns are, --out where it goes");
    const char *csv = line.argv[1];
    struct problems problems = {0};
    struct import_result imported = {0};
    int hookup_wrong = 0;
    char working_on[] = "importing";
    int result = import_csv(csv, hookup, line.out, print_progress, working_on, &imported, &problems,
                            &hookup_wrong);
    print_progress_done();
    if (result < 0) {
        problems_print(&problems, hookup_wrong ? hookup : csv, stderr);
        command_say(&line, "nothing was written: %s",
                    problems.count ? "see above" : strerror(-result));
    } else if (line.json) {
        (void)print_json(json_pack("{s:s, s:s, s:I, s:i, s:f, s:f, s:I}", "schema",
                                   "cranktrap.import/1", "file", line.out, "rows",
                                   (json_int_t)imported.rows, "channels", (int)imported.channels,
                                   "rate_hz", imported.rate_hz, "worst_jitter",
                                   imported.worst_jitter, "missing", (json_int_t)imported.missing));
    } else {
        print_result(line.out, &imported);
    }
    problems_clear(&problems);
    return result < 0 ? COMMAND_COULD_NOT : COMMAND_DONE;
}
