// SPDX-License-Identifier: Apache-2.0
/*
 * scan_check.c - `cranktrap convert --counts ... ; scan_check bulk|serial|tmc < FILE.csv`: is
 * every scan in the record that the counting board sent, or in a loss of the right size at its
 * place?
 *
 * The number that each scan carries goes up by one from row to row. Where it does not, the record
 * must list a loss there: of as many rows as are missing, or of unknown size where the count began
 * anew. And it must list no other. Exit status 0: so it is; 1: it is not.
 *
 * The scans of a burst board (tmc) carry a second number, of its converter that never pauses: it
 * may step at any row where a pause is listed, and by about as many rows.
 */
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define JUMPS_MAX 10000
#define UNKNOWN   (-1)
#define PLACE_S   0.001 /* how far a loss may be listed from its rows */
#define ADRIFT_S  1.0   /* an answer so late would have been a loss (`answer` of the board file) */
#define TMC_HZ    10000.0

struct jump {
    double from_s, to_s; /* of the rows before and after it */
    int64_t rows;        /* missing, or UNKNOWN */
    int64_t listed;      /* by the record's losses there, or UNKNOWN */
    int64_t converted;   /* missing by the converter's number */
    int64_t paused;      /* listed as a pause */
};

struct numbers {
    int64_t scan, converter; /* -1: the scan's inputs do not belong together */
};

enum kind { BULK, SERIAL, TMC };
static const char *const kinds[] = {"bulk", "serial", "tmc"};
static const int inputs[] = {4, 8, 4};

static struct jump jumps[JUMPS_MAX];
static size_t jump_count, unknown, problems;
static int64_t rows, missing;

static void problem(const char *what, double from_s, double to_s, long long read, long long due) {
    if (problems++ < 10)
        printf("scan_check: %s at %.6f to %.6f s: %lld, not %lld\n", what, from_s, to_s, read, due);
}

static struct numbers numbers_of(const long *input, enum kind kind) {
    bool sound = true;
    int64_t scan = (int64_t)input[0] | (int64_t)input[1] << 15;
    if (kind == TMC)
        return (struct numbers){scan, (int64_t)input[2] | (int64_t)input[3] << 15};
    if (kind == BULK) {
        sound = input[3] == 4095 - input[0];
        scan = (int64_t)input[0] | (int64_t)input[1] << 12 | (int64_t)input[2] << 24;
    } else {
        sound = input[3] == -1 - input[0];
        scan |= (int64_t)input[2] << 30;
        for (int i = 4; i < 8; i++)
            sound = sound && input[i] == (input[0] * i & 0x7fff);
    }
    return sound ? (struct numbers){scan, scan} : (struct numbers){-1, -1};
}

static void look_at_row(char *line, enum kind kind) {
    static struct numbers last = {-1, -1};
    static double last_s;
    long input[8] = {0};
    char *at = line;
    double time_s = strtod(at, &at);
    for (int i = 0; i < inputs[kind] && *at == ','; i++)
        input[i] = strtol(at + 1, &at, 10);
    struct numbers now = numbers_of(input, kind);
    if (now.scan < 0)
        problem("a scan that is none", time_s, time_s, now.scan, last.scan + 1);
    if (rows > 0 && (now.scan != last.scan + 1 || now.converter != last.converter + 1) &&
        jump_count < JUMPS_MAX) {
        bool anew = now.scan <= last.scan;
        int64_t absent = anew ? UNKNOWN : now.scan - last.scan - 1;
        jumps[jump_count++] =
            (struct jump){last_s, time_s, absent, 0, now.converter - last.converter - 1, 0};
        missing += absent > 0 ? absent : 0;
    }
    rows++;
    last = now;
    last_s = time_s;
}

/* Of a loss at its place; false: there is no row missing. */
static bool note_loss(double from_s, double to_s, int64_t listed, bool pause) {
    for (size_t i = 0; i < jump_count; i++) {
        struct jump *jump = &jumps[i];
        if (from_s < jump->from_s - PLACE_S || to_s > jump->to_s + PLACE_S)
            continue;
        if (pause)
            jump->paused += listed;
        else if (jump->listed != UNKNOWN)
            jump->listed = listed == UNKNOWN ? UNKNOWN : jump->listed + listed;
        return true;
    }
    return false;
}

/* "# loss: 2.013500000 to 2.049500000 s, 72 rows, packet lost", or "rows unknown"; "# pause: ..."
 */
static void look_at_loss(const char *line) {
    double from_s, to_s;
    char first[32], second[32], reason[64];
    char what[8];
    if (sscanf(line, "# %7[a-z]: %lf to %lf s, %31[^ ] %31[^,], %63[^\n]", what, &from_s, &to_s,
               first, second, reason) != 6) {
        printf("scan_check: not understood: %s", line);
        problems++;
        return;
    }
    int64_t listed = strcmp(first, "rows") == 0 ? UNKNOWN : strtoll(first, NULL, 10);
    if (!note_loss(from_s, to_s, listed, strcmp(what, "pause") == 0))
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

/* Pauses and losses together are what the converter passed over: from the first row after each
 * beginning on, no row may stand far from its place. */
static void judge_pauses(void) {
    int64_t told = 0, passed = 0, adrift = 0;
    size_t pauses = 0;
    for (size_t i = 0; i < jump_count; i++) {
        const struct jump *jump = &jumps[i];
        bool anew = jump->listed == UNKNOWN;
        pauses += jump->paused > 0;
        told = anew ? 0 : told + jump->listed + jump->paused;
        passed = anew ? 0 : passed + jump->converted;
        if (llabs(told - passed) > llabs(adrift))
            adrift = told - passed;
        if (!anew && jump->paused == 0 && jump->converted > jump->rows)
            problem("a pause that is not told", jump->from_s, jump->to_s, 0, jump->converted);
    }
    printf("%zu pauses told; blocks stand within %.1f ms of their place by the board's clock\n",
           pauses, (double)llabs(adrift) / TMC_HZ * 1e3);
    if ((double)llabs(adrift) / TMC_HZ > ADRIFT_S)
        problem("scans from their place", 0, 0, adrift, 0);
}

int main(int argc, char **argv) {
    static char line[4096];
    enum kind kind = BULK;
    while (argc == 2 && kind <= TMC && strcmp(argv[1], kinds[kind]) != 0)
        kind++;
    if (argc != 2 || kind > TMC) {
        fputs("usage: scan_check bulk|serial|tmc < FILE.csv\n", stderr);
        return 2;
    }
    while (fgets(line, sizeof line, stdin)) {
        if (strncmp(line, "# loss: ", 8) == 0 || strncmp(line, "# pause: ", 9) == 0)
            look_at_loss(line);
        else if (line[0] != '#' && line[0] != 't')
            look_at_row(line, kind);
    }
    judge_jumps();
    if (kind == TMC)
        judge_pauses();
    printf("%lld scans in the record, %lld missing in %zu places, %zu of unknown size, each told: "
           "%s\n",
           (long long)rows, (long long)missing, jump_count, unknown, problems == 0 ? "yes" : "NO");
    return problems == 0 && rows > 0 ? 0 : 1;
}
