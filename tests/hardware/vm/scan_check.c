// SPDX-License-Identifier: Apache-2.0
/*
 * scan_check.c - `cranktrap convert --counts ... ; scan_check bulk|serial < FILE.csv`: is every
 * scan in the record that the counting board sent, or in a loss of the right size at its place?
 *
 * The number that each scan carries goes up by one from row to row. Where it does not, the record
 * must list a loss there: of as many rows as are missing, or of unknown size where the count began
 * anew. And it must list no other. Exit status 0: so it is; 1: it is not.
 */
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define JUMPS_MAX 10000
#define UNKNOWN   (-1)
#define PLACE_S   0.001 /* how far a loss may be listed from its rows */

struct jump {
    double from_s, to_s; /* of the rows before and after it */
    int64_t rows;        /* missing, or UNKNOWN */
    int64_t listed;      /* by the record's losses there, or UNKNOWN */
};

static struct jump jumps[JUMPS_MAX];
static size_t jump_count, unknown, problems;
static int64_t rows, missing;

static void problem(const char *what, double from_s, double to_s, long long read, long long due) {
    if (problems++ < 10)
        printf("scan_check: %s at %.6f to %.6f s: %lld, not %lld\n", what, from_s, to_s, read, due);
}

/* The scan's own number, or -1 where its inputs do not belong together. */
static int64_t number_of(const long *input, bool serial) {
    if (!serial) {
        bool sound = input[3] == 4095 - input[0];
        return sound ? (int64_t)input[0] | (int64_t)input[1] << 12 | (int64_t)input[2] << 24 : -1;
    }
    bool sound = input[3] == -1 - input[0];
    for (int i = 4; i < 8; i++)
        sound = sound && input[i] == (input[0] * i & 0x7fff);
    return sound ? (int64_t)input[0] | (int64_t)input[1] << 15 | (int64_t)input[2] << 30 : -1;
}

static void look_at_row(char *line, bool serial) {
    static int64_t last = -1;
    static double last_s;
    long input[8] = {0};
    char *at = line;
    double time_s = strtod(at, &at);
    for (int i = 0; i < (serial ? 8 : 4) && *at == ','; i++)
        input[i] = strtol(at + 1, &at, 10);
    int64_t number = number_of(input, serial);
    if (number < 0)
        problem("a scan that is none", time_s, time_s, number, last + 1);
    if (rows > 0 && number != last + 1 && jump_count < JUMPS_MAX) {
        int64_t absent = number > last ? number - last - 1 : UNKNOWN;
        jumps[jump_count++] = (struct jump){last_s, time_s, absent, 0};
        missing += absent > 0 ? absent : 0;
    }
    rows++;
    last = number;
    last_s = time_s;
}

/* "# loss: 2.013500000 to 2.049500000 s, 72 rows, packet lost", or "rows unknown" */
static void look_at_loss(const char *line) {
    double from_s, to_s;
    char first[32], second[32];
    if (sscanf(line, "# loss: %lf to %lf s, %31[^ ] %31[^,]", &from_s, &to_s, first, second) != 4) {
        printf("scan_check: not understood: %s", line);
        problems++;
        return;
    }
    int64_t listed = strcmp(first, "rows") == 0 ? UNKNOWN : strtoll(first, NULL, 10);
    for (size_t i = 0; i < jump_count; i++) {
        struct jump *jump = &jumps[i];
        if (from_s < jump->from_s - PLACE_S || to_s > jump->to_s + PLACE_S)
            continue;
        jump->listed =
            listed == UNKNOWN || jump->listed == UNKNOWN ? UNKNOWN : jump->listed + listed;
        return;
    }
    problem("a loss where no row is missing", from_s, to_s, listed, 0);
}

/* A loss of unknown size may stand wherever rows are missing; a count that fell back needs one. */
static void judge_jumps(void) {
    for (size_t i = 0; i < jump_count; i++) {
        const struct jump *jump = &jumps[i];
        unknown += jump->listed == UNKNOWN;
        if (jump->listed != UNKNOWN && jump->listed != jump->rows)
            problem("rows listed as lost", jump->from_s, jump->to_s, jump->listed, jump->rows);
    }
}

int main(int argc, char **argv) {
    static char line[4096];
    bool serial = argc == 2 && strcmp(argv[1], "serial") == 0;
    if (argc != 2 || (!serial && strcmp(argv[1], "bulk") != 0)) {
        fputs("usage: scan_check bulk|serial < FILE.csv\n", stderr);
        return 2;
    }
    while (fgets(line, sizeof line, stdin)) {
        if (strncmp(line, "# loss: ", 8) == 0)
            look_at_loss(line);
        else if (line[0] != '#' && line[0] != 't')
            look_at_row(line, serial);
    }
    judge_jumps();
    printf("%lld scans in the record, %lld missing in %zu places, %zu of unknown size, each told: "
           "%s\n",
           (long long)rows, (long long)missing, jump_count, unknown, problems == 0 ? "yes" : "NO");
    return problems == 0 && rows > 0 ? 0 : 1;
}
