// SPDX-License-Identifier: Apache-2.0
/*
 * trial_print.c - a board's trial as text: what came, of which size, what to do about it.
 */
#include "trial_print.h"

#include "board_file.h"
#include "byte_pattern.h"
#include "print.h"

#include <math.h>
#include <stdio.h>

#define SHOWN_BYTES 128
#define LINE_BYTES  16
#define RATE_APART  0.005 /* a quartz is off by a hundredth of that; a divider may be by more */

/* ---- numbers ---- */

/* Volts where the board says how many a count is, else counts. */
static double in_unit(const struct board_description *description, size_t input, double count) {
    double step = description->volts_per_count[input];
    return isfinite(step) ? (count - description->zero_counts[input]) * step : count;
}

static double noise_in_unit(const struct board_description *description, size_t input,
                            double noise) {
    double step = description->volts_per_count[input];
    return isfinite(step) ? noise * fabs(step) : noise;
}

static void print_inputs(const struct trial *trial) {
    const struct board_description *description = &trial->description;
    printf("\n%-6s %13s %13s %13s %13s\n", "input", "lowest", "mean", "highest", "noise (rms)");
    for (size_t i = 0; i < description->inputs; i++) {
        const struct trial_input *input = &trial->input[i];
        bool volts = isfinite(description->volts_per_count[i]);
        const char *unit = volts ? "V" : "counts";
        printf("%-6zu %11.*f %s %11.*f %s %11.*f %s %11.*f %s%s%s\n", i, volts ? 4 : 0,
               in_unit(description, i, input->lowest), unit, volts ? 4 : 1,
               in_unit(description, i, input->mean), unit, volts ? 4 : 0,
               in_unit(description, i, input->highest), unit, volts ? 5 : 2,
               noise_in_unit(description, i, input->noise), unit,
               input->railed_low ? "  at its lower end" : "",
               input->railed_high ? "  at its upper end" : "");
    }
}

static void print_losses(const struct trial *trial) {
    printf("Lost: %llu scans", (unsigned long long)trial->scans_lost);
    const char *between = " (";
    for (int i = 0; i < BOARD_LOSSES; i++)
        if (trial->losses[i]) {
            printf("%s%s %llu", between, board_loss_name((enum board_loss)i),
                   (unsigned long long)trial->losses[i]);
            between = ", ";
        }
    if (between[0] == ',')
        printf(")");
    if (trial->losses_unknown)
        printf(", and %llu times a number that nobody counted",
               (unsigned long long)trial->losses_unknown);
    if (trial->transfers_lost)
        printf("; %llu transfers failed", (unsigned long long)trial->transfers_lost);
    puts(".");
}

static void print_flow(const struct trial *trial) {
    printf("Rate: %.6g scans/s", trial->rate_hz);
    if (trial->claimed_hz > 0)
        printf(", said to be %.6g: %+.0f ppm, give or take %.0f", trial->claimed_hz, trial->ppm,
               ceil(trial->error_ppm));
    printf("; longest pause %.0f ms.\n", (double)trial->longest_ns / 1e6);
}

static void print_results(const struct trial *trial) {
    printf("Reads with: resync %llu, bad check %llu, bad length %llu, insane value %llu.\n",
           (unsigned long long)trial->results[BOARD_RESYNC],
           (unsigned long long)trial->results[BOARD_BAD_CHECK],
           (unsigned long long)trial->results[BOARD_BAD_LENGTH],
           (unsigned long long)trial->results[BOARD_INSANE_VALUE]);
}

/* ---- bytes that no packet was found in ---- */

static void print_first_bytes(const struct trial *trial) {
    size_t count = trial->first_count < SHOWN_BYTES ? trial->first_count : SHOWN_BYTES;
    puts("\nThe first bytes:");
    for (size_t at = 0; at < count; at += LINE_BYTES) {
        printf("  %04zx ", at);
        for (size_t i = at; i < at + LINE_BYTES; i++)
            if (i < count)
                printf(" %02x", trial->first[i]);
            else
                printf("   ");
        printf("  ");
        for (size_t i = at; i < at + LINE_BYTES && i < count; i++)
            putchar(trial->first[i] >= ' ' && trial->first[i] <= '~' ? trial->first[i] : '.');
        putchar('\n');
    }
}

static void print_pattern(const struct byte_pattern *pattern) {
    printf("They come back every %zu bytes; counted from the first that stays the same:\n",
           pattern->distance);
    for (size_t i = 0; i < pattern->places; i++)
        printf("  byte %zu is always %02x\n", pattern->place[i], pattern->value[i]);
    if (pattern->counts)
        printf("  byte %zu goes up by one: a counter\n", pattern->counter_at);
}

static void advise_on_bytes(const struct hookup_board *board, const struct trial *trial) {
    struct byte_pattern pattern;
    bool text_driver = board->settings.file ? board->settings.file->packet.size == 0 : true;
    print_first_bytes(trial);
    byte_pattern_find(trial->first, trial->first_count, &pattern);
    if (pattern.text) {
        printf("\nNext: this is text. %s\n",
               text_driver ? "Set columns, decimals and time-unit to what its lines hold."
                           : "Try the driver text-serial (docs/board-files.md).");
        return;
    }
    if (pattern.distance)
        print_pattern(&pattern);
    puts("\nNext: compare these bytes with header, size, counter-at and check of the board file\n"
         "(docs/adding-a-board.md, step 3).");
    if (!pattern.distance && board->driver->bus == BOARD_SERIAL)
        puts("Nothing in them comes back at equal distances: a wrong baud rate looks like that;\n"
             "try baud=... behind the command.");
}

/* ---- what to do ---- */

static void advise_on_silence(const struct hookup_board *board) {
    puts("\nNothing came.\nNext:");
    if (board->driver->bus == BOARD_SERIAL)
        puts("- does the board send by itself? If not, its board file must say start = bytes ...\n"
             "- has it power, is it the right port, and is the baud rate right (baud=...)?");
    else
        puts("- does it need a start request? Its board file must say start = control ...\n"
             "- are interface, alternate and endpoint those that `lsusb -v` shows for its data?");
}

/* What is amiss with scans that do come: how many things were said. */
static unsigned advise_on_faults(const struct hookup_board *board, const struct trial *trial) {
    unsigned said = 0;
    uint64_t bad = trial->results[BOARD_BAD_CHECK] + trial->results[BOARD_BAD_LENGTH] +
                   trial->results[BOARD_INSANE_VALUE];
    if (trial->claimed_hz > 0 && fabs(trial->ppm) > RATE_APART * 1e6 && ++said)
        printf("- write rate = %.6g in the board file or hookup: that is what it sends.\n",
               trial->rate_hz);
    if (!(trial->claimed_hz > 0) && ++said)
        printf("- write rate = %.6g in the board file or hookup.\n", trial->rate_hz);
    if (bad && ++said)
        puts("- packets came damaged: check cable and baud rate; if most do, the kind of check or\n"
             "  a width in the board file is wrong.");
    if ((trial->scans_lost || trial->losses_unknown || trial->transfers_lost) && ++said)
        printf(
            "- scans were lost: a slower rate, another cable, hub or port.%s\n",
            board->driver->shape == BOARD_POLL
                ? ""
                : " If the board counts\n"
                  "  otherwise (counts = packets or scans), the file is wrong and none was lost.");
    for (size_t i = 0; i < trial->description.inputs; i++)
        if ((trial->input[i].railed_low || trial->input[i].railed_high) && ++said) {
            puts("- inputs stand at an end of their range: open, or more volts than they take, or\n"
                 "  bits, sign or shift are wrong.");
            break;
        }
    return said;
}

static void advise(const struct hookup_board *board, const struct trial *trial) {
    puts("\nNext:");
    unsigned said = advise_on_faults(board, trial);
    if (!said)
        puts("- the bytes fit. Put a known voltage (a battery, measured) on one input after the\n"
             "  other: only that input may move, and by the right amount.");
    else
        puts("- then a known voltage on one input after the other: only that one may move.");
    if (board->driver->shape == BOARD_STREAM)
        puts("- keep what it sends: --record FILE; sh tests/driver replays it.");
    puts("- docs/adding-a-board.md goes on from here.");
}

void trial_print(const struct hookup_board *board, const struct trial *trial) {
    char bytes[32], scans[32];
    const char *file = board->settings.file ? board->settings.file->name : board->driver->name;
    printf("%s%s%s: %s and %s scans in %.1f s.\n", file, trial->description.identity[0] ? ", " : "",
           trial->description.identity, print_bytes((double)trial->bytes, bytes, sizeof bytes),
           print_count((double)trial->scans, scans, sizeof scans), trial->seconds);
    if (trial->bytes == 0 && trial->scans == 0) {
        advise_on_silence(board);
        return;
    }
    if (board->driver->shape == BOARD_STREAM)
        print_results(trial);
    if (trial->scans == 0) {
        advise_on_bytes(board, trial);
        return;
    }
    print_losses(trial);
    print_flow(trial);
    print_inputs(trial);
    advise(board, trial);
}

/* ---- JSON ---- */

static json_t *inputs_json(const struct trial *trial) {
    const struct board_description *description = &trial->description;
    json_t *list = json_array();
    for (size_t i = 0; trial->scans && i < description->inputs; i++) {
        const struct trial_input *input = &trial->input[i];
        json_array_append_new(
            list, json_pack("{s:i, s:s, s:f, s:f, s:f, s:f, s:b, s:b}", "input", (int)i, "unit",
                            isfinite(description->volts_per_count[i]) ? "V" : "counts", "lowest",
                            in_unit(description, i, input->lowest), "mean",
                            in_unit(description, i, input->mean), "highest",
                            in_unit(description, i, input->highest), "noise",
                            noise_in_unit(description, i, input->noise), "railed_low",
                            (int)input->railed_low, "railed_high", (int)input->railed_high));
    }
    return list;
}

json_t *trial_json(const struct hookup_board *board, const struct trial *trial) {
    json_t *results = json_object();
    for (int i = 0; i < BOARD_RESULTS; i++)
        json_object_set_new(results, board_result_name((enum board_result)i),
                            json_integer((json_int_t)trial->results[i]));
    json_t *losses = json_object();
    for (int i = 0; i < BOARD_LOSSES; i++)
        json_object_set_new(losses, board_loss_name((enum board_loss)i),
                            json_integer((json_int_t)trial->losses[i]));
    const struct board_file *file = board->settings.file;
    return json_pack(
        "{s:s, s:s, s:s?, s:s, s:f, s:I, s:I, s:I, s:I, s:I, s:o, s:o, s:o, s:o, s:o, s:f, s:o, "
        "s:s?}",
        "schema", "cranktrap.boards-try/1", "driver", board->driver->name, "board_file",
        file ? file->name : NULL, "identity", trial->description.identity, "listened_s",
        trial->seconds, "bytes", (json_int_t)trial->bytes, "scans", (json_int_t)trial->scans,
        "scans_lost", (json_int_t)trial->scans_lost, "losses_of_unknown_size",
        (json_int_t)trial->losses_unknown, "transfers_lost", (json_int_t)trial->transfers_lost,
        "results", results, "losses", losses, "rate_hz",
        trial->rate_hz > 0 ? json_real(trial->rate_hz) : json_null(), "claimed_hz",
        trial->claimed_hz > 0 ? json_real(trial->claimed_hz) : json_null(), "rate_ppm",
        trial->claimed_hz > 0 ? json_real(trial->ppm) : json_null(), "longest_pause_s",
        (double)trial->longest_ns * 1e-9, "inputs", inputs_json(trial), "why",
        trial->why[0] ? trial->why : NULL);
}
