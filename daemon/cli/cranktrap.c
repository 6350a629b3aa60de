// SPDX-License-Identifier: Apache-2.0
/*
 * cranktrap.c - the command: the list of what it does, and the options that all of it takes.
 */
#include "command.h"

#include <stdio.h>
#include <string.h>

#define DEFAULT_STATE "/var/lib/cranktrap"

const struct command commands[] = {
    {"hookup", "[--out FILE] | --check FILE", "asks what each lead is on, live; or judges a file",
     "Without --check it opens the board itself (stop the daemon first), shows every input live,\n"
     "asks, checks, and writes the file. Nothing is overwritten without a yes.\n"
     "  --check FILE   judges a hookup file: every error at once, with its line\n",
     command_hookup},
    {"boards",
     "[--hookup FILE] [--explain] |\n"
     "       cranktrap boards --try BOARD [--device DEVICE] [--for TIME] [--record FILE] "
     "[NAME=VALUE ...]",
     "what is attached, who takes it, rights, maturity; a board's first trial",
     "--explain says of every device why each board file takes it or not, and what is wrong with\n"
     "a board file that is not used.\n"
     "  --try BOARD      opens the attached board (stop the daemon first), shows what arrives: "
     "rate,\n"
     "                   losses, each input, and what to do next. BOARD is a board file's path\n"
     "                   or name, or a driver's, with its options behind it\n"
     "  --device DEVICE  where more than one may be it\n"
     "  --for TIME       how long to listen (10s)\n"
     "  --record FILE    keeps the first bytes (--bytes N, 4096) as FILE.bytes, what is in\n"
     "                   them as FILE.scans, the board file beside them: `sh tests/driver`\n"
     "                   replays them\n",
     command_boards},
    {"ready",
     "[--hours N] [--no-crank | --look [--crank N]] [--wait TIME]\n"
     "       cranktrap ready --known CHANNEL=VOLTS | --forget CHANNEL\n"
     "       cranktrap ready --sine CHANNEL[=HZ]",
     "fit to be left? zero, noise, one test crank",
     "Says what to do and waits until the leads show it: key off, key on, one test crank (it "
     "never\n"
     "cranks itself). Then, for each lead, what was seen; room, losses, own draw; a conclusion.\n"
     "A new night begins with it: `night` counts from there.\n"
     "  --hours N     how long it is to be left (12)\n"
     "  --no-crank    only with the key; signals are then not proven\n"
     "  --look        only what the leads show just now: nothing is waited for, no night begins\n"
     "  --crank N     with --look: snapshot N is the test crank; what it holds counts too\n"
     "  --wait TIME   how long each step is waited for (2min)\n"
     "The exit status says whether the walk was done, not whether it is fit: --json has that.\n"
     "Or, without that walk (docs/calibration.md):\n"
     "  --known CHANNEL=VOLTS  takes what is held on the lead just now as a point of its input's\n"
     "                         calibration; given twice (0 and 12.61): gain and offset\n"
     "  --forget CHANNEL       back to the hookup's own scale\n"
     "  --sine CHANNEL=HZ      effective bits, from a sine of a generator on the input\n",
     command_ready},
    {"status", "", "watching or not and why; losses; room",
     "Asks the daemon. Without one it says so, and what the state folder holds.\n", command_status},
    {"now", "[--once] [--wiggle]", "the leads, live",
     "  --once     one table, then end\n"
     "  --wiggle   keep the extremes since the start, to catch a lead that opens when moved\n",
     command_now},
    {"keep", "[--at TIME | --from TIME --to TIME] [--before SPAN] [--after SPAN] [TEXT]",
     "a snapshot of this moment, or of one before",
     "Saves what was before (20 s) and what comes after (20 s), with TEXT as its note.\n"
     "  --at TIME             around that moment, as far as the ring still has it\n"
     "  --from TIME --to TIME the stretch between, up to an hour\n"
     "A TIME is 2026-01-15T04:12:07, 04:12 (today) or -90s; a SPAN is 20s, 300ms, 1.5min.\n",
     command_keep},
    {"phone", "[--hours N] [--close] [--out CARD.svg]", "the page on a phone in the same network",
     "Opens the daemon to the local network for whoever has the address that it prints, with a\n"
     "token in it; and a code for the camera. It is clear text on that network.\n"
     "  --hours N        for so long; else until it is closed, also over a restart\n"
     "  --close          closes it: the token is worth nothing any more\n"
     "  --out CARD.svg   a card to stick on the box\n",
     command_phone},
    {"list", "[--reviewed N] [--hold N] [--good N] [--clear N] [--note N TEXT] [--delete N]",
     "attempts and snapshots: time, outcome, verdict",
     "N is a snapshot's number, as the list shows it. What is said of it is kept beside it.\n"
     "  --reviewed N     somebody has looked at it: it may go when the quota is used up\n"
     "  --hold N         it must stay\n"
     "  --good N         a good start, to compare others with: must stay too\n"
     "  --clear N        not reviewed, held or good any more\n"
     "  --note N TEXT    a note; \"\" takes it away\n"
     "  --delete N       refused while it is held or good, or has a fault (or a failed attempt, "
     "or\n"
     "                   no report yet) and nobody has reviewed it\n",
     command_list},
    {"report",
     "[NUMBER | FILE | --from TIME [--to TIME]] [--pdf | --png | --svg | --html]\n"
     "       [--paper letter] [--fail-on-fault] [--ascii]",
     "what happened, and what to test next",
     "Without argument: the latest attempt that failed, else the latest.\n"
     "  --from, --to TIME  all of the ring between (to its end), in place, also beside the "
     "daemon:\n"
     "                    2026-01-15T04:12:07, 04:12 (the ring's last day) or -8h (before its "
     "end)\n"
     "  --pdf, --png, --svg, --html  a sheet for the customer and the technician. Vehicle, job, "
     "shop\n"
     "                    and technician are the hookup's\n"
     "  --out FILE        its name's end says the same: .pdf .png .svg .html, .json; .txt or none: "
     "text\n"
     "  --paper PAPER     A4 (as it is) or letter\n"
     "  --fail-on-fault   exit status 1 when a fault was found\n"
     "  --ascii           no characters beyond ASCII\n",
     command_report},
    {"night", "[--since TIME] [FILE ...]", "what the failed attempts have in common",
     "The attempts since the last `ready` (else all of the state folder), or of the .crank files\n"
     "named: what was different in those that failed, how often chance alone does that, and how\n"
     "many clean starts would prove a repair. A TIME is 2026-01-15T04:12, 04:12 (today) or -8h.\n",
     command_night},
    {"compare", "[NUMBER | FILE [NUMBER | FILE]]", "an attempt beside a good one",
     "The first: as `report` picks it, or named. The second: the nearest that is marked good "
     "(`list\n"
     "--good N`), of the same night and like speed first, else the nearest clean start; or named.\n"
     "Which readings, wheel patterns and cam places changed beyond the spread of both, and every\n"
     "check side by side: also before and after a repair.\n",
     command_compare},
    {"convert", "NUMBER | FILE ... [--from TIME] [--to TIME] [--counts] --out FILE",
     "a record for other programs: CSV, NPY, HDF5, WAV, COMTRADE",
     "A snapshot by its number or file, or .ring files of one ring together. The end of FILE's\n"
     "name says the format: .csv, .npy, .h5 (HDF5), .wav or .cfg (COMTRADE). Rows that are\n"
     "missing are absent (in .wav filled) and told of; one file a board; nothing is overwritten.\n"
     "docs/convert.md has the rules. A TIME is 21.5s, 300ms, 2h from the record's beginning.\n"
     "  --from, --to   only this stretch\n"
     "  --counts       the board's whole numbers instead of volts and amperes\n",
     command_convert},
    {"import", "FILE.csv --hookup FILE.hookup --out FILE.crank", "a CSV recording to a .crank file",
     "Header time_s,<channel>,...; values in the channel's unit. docs/import.md has the rules.\n",
     command_import},
    {"verify", "FILE", "is a .crank or .ring file whole?",
     "Exit status: 0 whole, 4 not ours, 5 newer, 6 truncated, 7 corrupt, 8 I/O error.\n",
     command_verify},
    {NULL, NULL, NULL, NULL, NULL},
};

static void print_help(FILE *stream) {
    fputs("cranktrap catches the start that fails: it watches the sensor circuits of a vehicle,\n"
          "keeps the seconds around every cranking, and says which circuit let go first.\n\n"
          "usage: cranktrap COMMAND [--state DIR] [--json] [--out FILE] ...\n\n",
          stream);
    for (const struct command *command = commands; command->name; command++)
        fprintf(stream, "  %-8s %s\n", command->name, command->summary);
    fputs("\n  --state DIR   the daemon's state folder (" DEFAULT_STATE ")\n"
          "  --json        for programs; docs/json.md names the keys\n"
          "  --out FILE    where a file is written\n\n"
          "cranktrap COMMAND --help tells more. cranktrap alone prints the state.\n",
          stream);
}

static void print_command_help(const struct command *command) {
    printf("usage: cranktrap %s %s\n\n%s\n", command->name, command->arguments, command->summary);
    if (command->help)
        printf("\n%s", command->help);
}

static const struct command *find_command(const char *name) {
    for (const struct command *command = commands; command->name; command++)
        if (strcmp(command->name, name) == 0)
            return command;
    return NULL;
}

int main(int argc, char **argv) {
    struct command_line line = {.argc = argc, .argv = argv, .command = find_command("status")};
    const char *state = command_option(&line, "state");
    line.state = state ? state : DEFAULT_STATE;
    line.state_given = state != NULL;
    line.json = command_flag(&line, "json");
    line.out = command_option(&line, "out");
    bool help = command_flag(&line, "help");
    if (command_flag(&line, "version")) {
        puts("cranktrap " CRANKTRAP_VERSION);
        return COMMAND_DONE;
    }
    if (line.argc > 1) {
        const char *name = line.argv[1];
        line.command = find_command(name);
        if (!line.command) {
            fprintf(stderr, "cranktrap: \"%s\" is not a command\n\n", name);
            print_help(stderr);
            return COMMAND_USAGE;
        }
        line.argc--;
        line.argv++;
        if (help) {
            print_command_help(line.command);
            return COMMAND_DONE;
        }
    } else if (help) {
        print_help(stdout);
        return COMMAND_DONE;
    }
    if ((state && !*state) || (line.out && !*line.out))
        return command_usage(&line, "--state and --out need a value");
    return line.command->run(&line);
}
