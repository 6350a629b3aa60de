// SPDX-License-Identifier: Apache-2.0
/*
 * status.c - `cranktrap status`: is it watching, what was lost, how much room is left.
 */
#include "client.h"

#include "command.h"
#include "json_value.h"
#include "print.h"

#include <errno.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#define RATE_APART 0.005 /* no quartz is so far off */

static double number(const json_t *object, const char *key) {
    return json_number_value(json_object_get(object, key));
}

/* A board that sends at another rate than it claims keeps its times, which are measured. */
static void print_rate(const json_t *board) {
    char a[32];
    double rate = number(board, "rate_hz"), claimed = number(board, "claimed_hz");
    if (!(rate > 0))
        return;
    printf("  %s scans/s", print_count(rate, a, sizeof a));
    bool apart = claimed > 0 && fabs(rate / claimed - 1) > RATE_APART;
    if (claimed > 0 && !apart)
        printf(" (%+.0f ppm from its claim)", number(board, "rate_ppm"));
    printf(", times right within %.2g ms\n", number(board, "clock_error_s") * 1e3);
    if (apart)
        printf("  CAUTION: it claims %s scans/s. Times are as measured; put the rate right in its "
               "program,\n  its board file or the hookup, or find out which scans it drops.\n",
               print_count(claimed, a, sizeof a));
}

/* What may be done about losses of that reason, or "". */
static const char *remedy_of(const char *reason) {
    static const struct {
        const char *reason, *remedy;
    } remedies[] = {
        {"packet lost",
         ": never came; look at cable, hub and baud rate, or the board was too slow"},
        {"damaged", ": noise on the way; look at cable, ground and baud rate"},
        {"overrun", ": this computer was too slow to take them"},
        {"fetched late", ": this computer was too slow to ask for them"},
        {"no answer", ": the board did not answer; look at its power, cable and address"},
        {"refused", ": the board did not want to; look at what its board file asks for"},
    };
    for (size_t i = 0; i < sizeof remedies / sizeof remedies[0]; i++)
        if (strcmp(reason, remedies[i].reason) == 0)
            return remedies[i].remedy;
    return "";
}

static void print_losses(const json_t *board) {
    char a[32];
    const char *reason;
    json_t *count;
    json_object_foreach(json_object_get(board, "losses"), reason, count) {
        if (json_number_value(count) > 0)
            printf("    lost: %s, %s scans%s\n", reason,
                   print_count(json_number_value(count), a, sizeof a), remedy_of(reason));
    }
    json_object_foreach(json_object_get(board, "results"), reason, count) {
        if (json_number_value(count) > 0 && strcmp(reason, "ok") != 0 &&
            strcmp(reason, "need more") != 0)
            printf("    bytes: %s, %s times\n", reason,
                   print_count(json_number_value(count), a, sizeof a));
    }
}

static void print_board(const json_t *board) {
    char a[32], b[32];
    printf("\nBoard %s: %s", text_of(board, "board"), text_of(board, "state"));
    if (text_of(board, "why"))
        printf(" - %s", text_of(board, "why"));
    putchar('\n');
    if (text_of(board, "note"))
        printf("  CAUTION: %s.\n", text_of(board, "note"));
    print_rate(board);
    printf("  %s scans received", print_count(number(board, "scans"), a, sizeof a));
    double lost = number(board, "scans_lost");
    double unknown = number(board, "losses_of_unknown_size");
    if (lost == 0 && unknown == 0)
        printf(", none lost");
    if (lost > 0)
        printf(", %s lost", print_count(lost, b, sizeof b));
    if (unknown > 0)
        printf(", %.0f loss%s of unknown size", unknown, unknown == 1 ? "" : "es");
    if (number(board, "reconnects") > 0)
        printf(", %.0f reconnect%s", number(board, "reconnects"),
               number(board, "reconnects") == 1 ? "" : "s");
    putchar('\n');
    if (number(board, "pauses") > 0)
        printf("  %s pauses between its bursts, %s scans long in all, not seen by design\n",
               print_count(number(board, "pauses"), a, sizeof a),
               print_count(number(board, "scans_in_pauses"), b, sizeof b));
    if (number(board, "blocks_fast") > 0)
        printf("  %.1f %% of its blocks were coded faster and larger, because bytes or blocks "
               "waited\n",
               100 * number(board, "blocks_fast") / number(board, "blocks"));
    print_losses(board);
}

static void print_room(const json_t *status) {
    char a[32], b[32], c[32];
    const json_t *ring = json_object_get(status, "ring");
    printf("\nRing:      %s of %s in %.0f segment%s",
           print_bytes(number(ring, "bytes"), a, sizeof a),
           print_bytes(number(ring, "bound"), b, sizeof b), number(ring, "segments"),
           number(ring, "segments") == 1 ? "" : "s");
    if (json_is_number(json_object_get(ring, "oldest_age_s")))
        printf(", reaches back %s", print_duration(number(ring, "oldest_age_s"), c, sizeof c));
    if (number(ring, "segments_pruned") > 0)
        printf("; %.0f oldest pruned", number(ring, "segments_pruned"));
    if (number(ring, "pruned_for_space") > 0)
        printf(", %.0f of them because the disk is full", number(ring, "pruned_for_space"));
    if (json_is_number(json_object_get(ring, "written_per_raw_byte")))
        printf("\n           %.2f bytes written for a byte of samples, %.0f syncs a minute",
               number(ring, "written_per_raw_byte"), number(ring, "syncs_per_minute"));
    printf("\n           a power cut now would lose at most %s\n",
           print_duration(number(ring, "loss_window_s"), a, sizeof a));
    if (text_of(ring, "error"))
        printf("           CANNOT BE WRITTEN: %s; %s scans dropped\n", text_of(ring, "error"),
               print_count(number(ring, "scans_dropped"), a, sizeof a));

    const json_t *memory = json_object_get(status, "memory_ring");
    printf("Memory:    at most %.0f %% of %s was ever waiting for the disk",
           100 * number(memory, "fullest") / number(memory, "bound"),
           print_bytes(number(memory, "bound"), a, sizeof a));
    if (number(memory, "scans_lost") > 0)
        printf("; %s scans lost to a slow disk",
               print_count(number(memory, "scans_lost"), b, sizeof b));
    if (json_is_number(json_object_get(memory, "covers_s")))
        printf("\n           the disk may stand still for %s before anything is lost",
               print_duration(number(memory, "covers_s"), c, sizeof c));
    putchar('\n');

    const json_t *snapshots = json_object_get(status, "snapshots");
    printf("Snapshots: %.0f saved since the start, %s of %s\n", number(snapshots, "saved"),
           print_bytes(number(snapshots, "bytes"), a, sizeof a),
           print_bytes(number(snapshots, "bound"), b, sizeof b));
    if (number(snapshots, "failed") > 0)
        printf("           %.0f could not be written\n", number(snapshots, "failed"));
    if (number(snapshots, "removed") > 0)
        printf("           %.0f deleted to make room: reviewed and clean, clean, or reviewed\n",
               number(snapshots, "removed"));
    if (!json_is_true(json_object_get(snapshots, "room")))
        printf("           NO ROOM for another: %s\n",
               text_of(snapshots, "problem") ? text_of(snapshots, "problem") : "make some");
}

/* Dates as this computer knew them. */
static void print_calibrations(const json_t *status) {
    size_t index;
    json_t *entry;
    json_array_foreach(json_object_get(status, "calibrations"), index, entry) {
        const json_t *points = json_object_get(json_object_get(entry, "calibration"), "points");
        const json_t *newest = json_array_get(points, json_array_size(points) - 1);
        time_t wall = (time_t)json_integer_value(json_object_get(newest, "wall_s"));
        struct tm local;
        char date[32] = "";
        if (localtime_r(&wall, &local))
            strftime(date, sizeof date, "%Y-%m-%d", &local);
        bool applied = strcmp(text_of(entry, "state"), "applied") == 0;
        printf("%s %s: %s, %s%s\n",
               index ? "           " : "\nCalibrated:", text_of(entry, "channel"),
               text_of(entry, "words"), date,
               applied ? "" : " - NOT USED: made with another scale or unit than the hookup's");
    }
}

static void print_suppressed(const json_t *status) {
    size_t index;
    json_t *storm;
    json_array_foreach(json_object_get(status, "suppressed"), index, storm) {
        double marks = number(storm, "suppressed");
        const char *wall = text_of(storm, "latest_wall");
        printf(
            "\nNot saved: %.0f mark%s of %s on %s, beyond its budget of the hour. As long as the\n"
            "           ring has it, `cranktrap keep --at %.19s` saves the latest.\n",
            marks, marks == 1 ? "" : "s", text_of(storm, "trigger"), text_of(storm, "channel"),
            wall ? wall : "TIME"); /* as it is, without its zone: local time */
    }
}

static void print_status(const json_t *status) {
    printf("%s: %s",
           text_of(status, "vehicle") ? text_of(status, "vehicle") : "A vehicle without a name",
           text_of(status, "state"));
    if (text_of(status, "why"))
        printf(" - %s", text_of(status, "why"));
    printf("\n%s, phase %s, %.0f cranking%s since the start\n", text_of(status, "wall"),
           text_of(status, "phase"), number(status, "crankings"),
           number(status, "crankings") == 1 ? "" : "s");
    size_t index;
    json_t *board;
    json_array_foreach(json_object_get(status, "boards"), index, board) print_board(board);
    if (number(status, "boards_apart_s") > 0)
        printf("\nBoards on one axis: times of different boards compare within %.2g ms\n",
               number(status, "boards_apart_s") * 1e3);
    print_room(status);
    print_calibrations(status);
    print_suppressed(status);
    puts("\nNext: `cranktrap now` shows the leads, `cranktrap list` the attempts so far.");
}

int command_status(const struct command_line *given) {
    struct command_line line = *given;
    int wrong = command_words(&line, 0, 0);
    if (wrong)
        return wrong;
    json_t *status = NULL;
    int result = client_ask(&line, "GET", "/v0/status", NULL, false, &status);
    if (!line.json && (result == -ENOENT || result == -ECONNREFUSED))
        puts("not-watching - no daemon runs. `cranktrap list` still shows what was caught.");
    if (result < 0)
        return COMMAND_COULD_NOT;
    if (line.json)
        return print_json(status);
    print_status(status);
    json_decref(status);
    return COMMAND_DONE;
}
