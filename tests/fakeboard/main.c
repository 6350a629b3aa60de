// SPDX-License-Identifier: Apache-2.0
/*
 * main.c - the options of `fakeboard`.
 */
#include "fakeboard.h"

#include <getopt.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char usage[] =
    "usage: fakeboard (--edges FILE | --csv FILE | --sim [OPTION=VALUE,...]) [options]\n"
    "A board for people without one, behind a pseudo-terminal whose path it prints.\n"
    "\n"
    "  --edges FILE            a recording: time in s, then logic levels after each change;\n"
    "                          inputs: battery, feed, return, then one a level\n"
    "  --csv FILE              time in s, then volts, one column an input\n"
    "  --sim [O=V,...]         the simulator, with options of the driver sim\n"
    "\n"
    "  --format packet|text    what a hookup calls packet-serial (standard), text-serial\n"
    "  --link PATH             a link to the pseudo-terminal, for the hookup's `device`\n"
    "  --pace 1|N|free         true pace (standard), N times faster, as the reader takes it\n"
    "  --at-end quit|hold|silent  at the recording's end (standard: quit)\n"
    "  --script FILE           faults at their time: lines of SECONDS COMMAND\n"
    "  --rate HZ               scans a second (edges: 5000; csv: one scan a row)\n"
    "  --bits N                of a count, 8 to 24 (16)\n"
    "  --volts-per-count V     (0.0005)\n"
    "  --signed                counts may be negative\n"
    "  --lead-in S --lead-out S  quiet time before and after (0)\n"
    "  --boot-id N --first-scan N --seed N\n"
    "  text: --columns counter|time|none (counter), --decimals N: volts instead of counts\n"
    "  edges, in seconds of the recording's own time:\n"
    "  --crank FROM,TO         the starter is engaged (0.2 s before the first edge to the last)\n"
    "  --feed-collapse FROM,TO[,VOLTS]  the feed falls to VOLTS (0.6), the signals are dead\n"
    "  --dead high|low         what dead signals read (high)\n"
    "  --teeth N --cylinders N  for the battery's ripple: edges one way in a turn of the first\n"
    "                          level (unknown: 6 Hz), cylinders (4)\n"
    "\n"
    "Commands on stdin: drop N, corrupt N, duplicate N, stall SECONDS, babble BYTES,\n"
    "vanish SECONDS, restart, quit.\n";

enum { EDGES = 'e', CSV = 'c', SIM = 's' };
enum option_key {
    KEY_FORMAT = 256,
    KEY_LINK,
    KEY_PACE,
    KEY_AT_END,
    KEY_SCRIPT,
    KEY_RATE,
    KEY_BITS,
    KEY_VOLTS_PER_COUNT,
    KEY_SIGNED,
    KEY_LEAD_IN,
    KEY_LEAD_OUT,
    KEY_BOOT_ID,
    KEY_FIRST_SCAN,
    KEY_SEED,
    KEY_COLUMNS,
    KEY_DECIMALS,
    KEY_CRANK,
    KEY_COLLAPSE,
    KEY_DEAD,
    KEY_TEETH,
    KEY_CYLINDERS,
    KEY_HELP
};

static const struct option long_options[] = {
    {"edges", required_argument, NULL, EDGES},
    {"csv", required_argument, NULL, CSV},
    {"sim", optional_argument, NULL, SIM},
    {"format", required_argument, NULL, KEY_FORMAT},
    {"link", required_argument, NULL, KEY_LINK},
    {"pace", required_argument, NULL, KEY_PACE},
    {"at-end", required_argument, NULL, KEY_AT_END},
    {"script", required_argument, NULL, KEY_SCRIPT},
    {"rate", required_argument, NULL, KEY_RATE},
    {"bits", required_argument, NULL, KEY_BITS},
    {"volts-per-count", required_argument, NULL, KEY_VOLTS_PER_COUNT},
    {"signed", no_argument, NULL, KEY_SIGNED},
    {"lead-in", required_argument, NULL, KEY_LEAD_IN},
    {"lead-out", required_argument, NULL, KEY_LEAD_OUT},
    {"boot-id", required_argument, NULL, KEY_BOOT_ID},
    {"first-scan", required_argument, NULL, KEY_FIRST_SCAN},
    {"seed", required_argument, NULL, KEY_SEED},
    {"columns", required_argument, NULL, KEY_COLUMNS},
    {"decimals", required_argument, NULL, KEY_DECIMALS},
    {"crank", required_argument, NULL, KEY_CRANK},
    {"feed-collapse", required_argument, NULL, KEY_COLLAPSE},
    {"dead", required_argument, NULL, KEY_DEAD},
    {"teeth", required_argument, NULL, KEY_TEETH},
    {"cylinders", required_argument, NULL, KEY_CYLINDERS},
    {"help", no_argument, NULL, KEY_HELP},
    {0},
};

/* What the options say, before the source is opened. */
struct choice {
    int source; /* EDGES, CSV, SIM; 0: not said */
    const char *what;
    double rate_hz;
    double bits;
    bool is_signed;
    double boot_id, first_scan, seed;
    struct edges_plan plan;
};

static int wrong(const char *name, const char *value, const char *wanted) {
    fprintf(stderr, "fakeboard: --%s %s: %s is wanted\n", name, value, wanted);
    return -1;
}

static int read_number(const char *name, const char *text, double lowest, double highest,
                       double *number) {
    char *end;
    double value = strtod(text, &end);
    char wanted[64];
    snprintf(wanted, sizeof wanted, "a number from %g to %g", lowest, highest);
    if (end == text || *end || !(value >= lowest && value <= highest))
        return wrong(name, text, wanted);
    *number = value;
    return 0;
}

static int read_whole(const char *name, const char *text, unsigned lowest, unsigned highest,
                      unsigned *number) {
    double value;
    if (read_number(name, text, lowest, highest, &value) < 0)
        return -1;
    if (value != floor(value))
        return wrong(name, text, "a whole number");
    *number = (unsigned)value;
    return 0;
}

/* One of "a|b|c": its place, or -1. */
static int read_word(const char *name, const char *text, const char *words) {
    int place = 0;
    for (const char *at = words; *at; place++) {
        size_t length = strcspn(at, "|");
        if (strlen(text) == length && memcmp(at, text, length) == 0)
            return place;
        at += length + (at[length] == '|');
    }
    return wrong(name, text, words);
}

static int read_stretch(const char *name, const char *text, struct stretch *stretch,
                        double *volts) {
    char more[2];
    struct stretch read;
    double level;
    int numbers = sscanf(text, "%lf,%lf,%lf%1s", &read.from_s, &read.to_s, &level, more);
    if (numbers < 2 || numbers > (volts ? 3 : 2) || !(read.to_s > read.from_s))
        return wrong(name, text, volts ? "FROM,TO[,VOLTS] in seconds" : "FROM,TO in seconds");
    *stretch = read;
    if (numbers == 3)
        *volts = level;
    return 0;
}

static int read_pace(const char *text, double *pace) {
    if (strcmp(text, "free") == 0) {
        *pace = 0;
        return 0;
    }
    return read_number("pace", text, 0.01, 10000, pace);
}

/* Options of the recording: 0, or -1; 1 when it is none of them. */
static int take_plan_option(struct choice *choice, int key, const char *name, const char *value) {
    struct edges_plan *plan = &choice->plan;
    int word;
    switch (key) {
    case KEY_RATE:
        return read_number(name, value, 1, 1e6, &choice->rate_hz);
    case KEY_LEAD_IN:
        return read_number(name, value, 0, 1e6, &plan->lead_in_s);
    case KEY_LEAD_OUT:
        return read_number(name, value, 0, 1e6, &plan->lead_out_s);
    case KEY_CRANK:
        return read_stretch(name, value, &plan->crank, NULL);
    case KEY_COLLAPSE:
        return read_stretch(name, value, &plan->collapse, &plan->collapse_v);
    case KEY_DEAD:
        word = read_word(name, value, "high|low");
        plan->dead_high = word == 0;
        return word < 0 ? -1 : 0;
    case KEY_TEETH:
        return read_whole(name, value, 0, 1000, &plan->teeth);
    case KEY_CYLINDERS:
        return read_whole(name, value, 1, 16, &plan->cylinders);
    case KEY_SEED:
        return read_number(name, value, 0, 1e15, &choice->seed);
    default:
        return 1;
    }
}

/* Options of the board: 0, or -1; 1 when it is none of them. */
static int take_board_option(struct fakeboard *board, struct choice *choice, int key,
                             const char *name, const char *value) {
    int word = 0;
    switch (key) {
    case KEY_FORMAT:
        word = read_word(name, value, "packet|text");
        board->format.kind = word == 1 ? FORMAT_TEXT : FORMAT_PACKET;
        return word < 0 ? -1 : 0;
    case KEY_COLUMNS:
        word = read_word(name, value, "counter|time|none");
        board->format.place = (enum format_place)(word < 0 ? 0 : word);
        return word < 0 ? -1 : 0;
    case KEY_AT_END:
        word = read_word(name, value, "quit|hold|silent");
        board->at_end = (enum at_end)(word < 0 ? 0 : word);
        return word < 0 ? -1 : 0;
    case KEY_LINK:
        board->link = value;
        return 0;
    case KEY_PACE:
        return read_pace(value, &board->pace);
    case KEY_SCRIPT:
        return fault_script_read(value, &board->script);
    case KEY_BITS:
        return read_number(name, value, 8, 24, &choice->bits);
    case KEY_VOLTS_PER_COUNT:
        return read_number(name, value, 1e-7, 10, &board->format.volts_per_count);
    case KEY_SIGNED:
        choice->is_signed = true;
        return 0;
    case KEY_BOOT_ID:
        return read_number(name, value, 0, UINT32_MAX, &choice->boot_id);
    case KEY_FIRST_SCAN:
        return read_number(name, value, 0, UINT32_MAX, &choice->first_scan);
    case KEY_DECIMALS:
        return read_whole(name, value, 0, 6, &board->format.decimals);
    default:
        return 1;
    }
}

static int take_source(struct choice *choice, int key, const char *what) {
    if (choice->source) {
        fprintf(stderr, "fakeboard: one of --edges, --csv and --sim, once\n");
        return -1;
    }
    choice->source = key;
    choice->what = what ? what : "";
    return 0;
}

/* 0; 1: help was asked for; -1: wrong, and said so. */
static int read_options(int argc, char **argv, struct fakeboard *board, struct choice *choice) {
    int index = 0;
    for (int key; (key = getopt_long(argc, argv, "", long_options, &index)) != -1;) {
        if (key == '?')
            return -1;
        if (key == KEY_HELP)
            return 1;
        const char *name = long_options[index].name;
        int result = key == EDGES || key == CSV || key == SIM
                         ? take_source(choice, key, optarg)
                         : take_plan_option(choice, key, name, optarg);
        if (result == 1)
            result = take_board_option(board, choice, key, name, optarg);
        if (result < 0)
            return -1;
    }
    if (choice->source == SIM && optind + 1 == argc && !*choice->what)
        choice->what = argv[optind++]; /* `--sim seed=3` as well as `--sim=seed=3` */
    if (optind < argc) {
        fprintf(stderr, "fakeboard: '%s' is no option\n", argv[optind]);
        return -1;
    }
    if (!choice->source)
        fprintf(stderr, "fakeboard: what is to be played? --edges, --csv or --sim; see --help\n");
    return choice->source ? 0 : -1;
}

static int open_source(struct choice *choice, struct source *source) {
    struct edges_plan *plan = &choice->plan;
    plan->rate_hz = choice->rate_hz > 0 ? choice->rate_hz : 5000;
    plan->seed = (uint64_t)choice->seed;
    if (choice->source == EDGES)
        return source_edges_open(choice->what, plan, source);
    if (choice->source == CSV)
        return source_csv_open(choice->what, choice->rate_hz, plan->lead_in_s, plan->lead_out_s,
                               source);
    return source_sim_open(choice->what, source);
}

static int set_up_format(struct fakeboard *board, const struct choice *choice) {
    struct format *format = &board->format;
    double values = ldexp(1, (int)choice->bits);
    double span_uv = values * format->volts_per_count * 1e6;
    double pace = board->pace > 0 ? board->pace : 1;
    if (board->source.inputs > WIRE_INPUTS_MAX || span_uv > UINT32_MAX) {
        fprintf(stderr, "fakeboard: at most %d inputs, and a span of at most 4294 V\n",
                WIRE_INPUTS_MAX);
        return -1;
    }
    format->low = (int32_t)(choice->is_signed ? -values / 2 : 0);
    format->high = (int32_t)(choice->is_signed ? values / 2 - 1 : values - 1);
    format->scans_per_packet =
        (uint16_t)fmin(fmax(board->source.rate_hz * pace / 100, 1), 1000); /* one in 10 ms */
    format->board = (struct wire_board){
        .boot_id = (uint32_t)choice->boot_id,
        .rate_millihz = (uint32_t)llround(board->source.rate_hz * 1000),
        .inputs = (uint8_t)board->source.inputs,
        .bits = (uint8_t)choice->bits,
        .is_signed = choice->is_signed,
        .span_microvolts = (uint32_t)llround(span_uv),
        .name = "fake board",
    };
    return 0;
}

static void print_inputs(const struct fakeboard *board) {
    fprintf(stderr, "fakeboard: %.10g scans a second; inputs:", board->source.rate_hz);
    for (size_t i = 0; i < board->source.inputs; i++)
        fprintf(stderr, "%s %zu%s%s", i ? "," : "", i, *board->source.input_names[i] ? " " : "",
                board->source.input_names[i]);
    fputc('\n', stderr);
}

int main(int argc, char **argv) {
    static struct fakeboard board = {
        .pace = 1, .port = {.master = -1}, .format = {.volts_per_count = 0.0005}};
    struct choice choice = {.bits = 16,
                            .boot_id = 0x0C0FFEE0,
                            .seed = 1,
                            .plan = {.collapse_v = 0.6, .dead_high = true, .cylinders = 4}};
    int result = read_options(argc, argv, &board, &choice);
    if (result == 1) {
        fputs(usage, stdout);
        return 0;
    }
    if (result == 0)
        result = open_source(&choice, &board.source);
    if (result == 0)
        result = set_up_format(&board, &choice);
    if (result < 0) {
        if (board.source.close)
            board.source.close(board.source.state);
        fault_script_free(&board.script);
        return 2;
    }
    board.first_scan = (uint32_t)choice.first_scan;
    board.random = (uint64_t)choice.seed * 0x9E3779B97F4A7C15u + 0x6A09E667F3BCC909u;
    print_inputs(&board);
    result = fakeboard_run(&board);
    board.source.close(board.source.state);
    fault_script_free(&board.script);
    return result < 0 ? 1 : 0;
}
