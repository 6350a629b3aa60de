// SPDX-License-Identifier: Apache-2.0
#include "command_line.h"

#include <getopt.h>
#include <stdio.h>

#define DEFAULT_HOOKUP "/etc/cranktrap/vehicle.hookup"
#define DEFAULT_STATE  "/var/lib/cranktrap"

static const char usage[] =
    "usage: cranktrapd [--hookup FILE] [--state DIR] [--socket PATH] [--listen ADDRESS:PORT]\n"
    "                  [--page DIR] [--until-end]\n"
    "\n"
    "Streams the boards of a hookup into the ring, watches for crankings and faults, and saves\n"
    "snapshots. Runs in the foreground. Ask it with `cranktrap`. SIGHUP reloads the hookup "
    "without\n"
    "losing a scan; SIGTERM ends with everything on disk (docs/service.md).\n"
    "\n"
    "  --hookup FILE   which lead is where (" DEFAULT_HOOKUP ")\n"
    "  --state DIR     rings, snapshots, calibration and notes (" DEFAULT_STATE ")\n"
    "  --socket PATH   where it listens (DIR/cranktrap.sock)\n"
    "  --listen WHERE  over TCP too: ADDRESS:PORT, or loopback (127.0.0.1:4187); not unless asked\n"
    "  --page DIR      the web page's files (beside the programs, or as installed)\n"
    "  --until-end     end by itself once every board is a simulation at its end\n"
    "  --version, --help\n";

int command_line_read(int argc, char **argv, struct command_line *line) {
    static const struct option long_options[] = {
        {"hookup", required_argument, NULL, 'h'},
        {"state", required_argument, NULL, 's'},
        {"socket", required_argument, NULL, 'k'},
        {"listen", required_argument, NULL, 'l'},
        {"page", required_argument, NULL, 'p'},
        {"until-end", no_argument, NULL, 'e'},
        {"version", no_argument, NULL, 'v'},
        {"help", no_argument, NULL, '?' + 256},
        {0},
    };
    *line = (struct command_line){.hookup = DEFAULT_HOOKUP, .state = DEFAULT_STATE};
    for (int option; (option = getopt_long(argc, argv, "", long_options, NULL)) != -1;) {
        switch (option) {
        case 'h':
            line->hookup = optarg;
            break;
        case 's':
            line->state = optarg;
            break;
        case 'k':
            line->socket = optarg;
            break;
        case 'l':
            line->listen = optarg;
            break;
        case 'p':
            line->page = optarg;
            break;
        case 'e':
            line->until_end = true;
            break;
        case 'v':
            puts("cranktrapd " CRANKTRAP_VERSION);
            return 1;
        case '?' + 256:
            fputs(usage, stdout);
            return 1;
        default:
            fputs(usage, stderr);
            return 2;
        }
    }
    if (optind < argc) {
        fprintf(stderr, "cranktrapd: \"%s\" is not an option\n%s", argv[optind], usage);
        return 2;
    }
    return 0;
}
