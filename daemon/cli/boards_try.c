// SPDX-License-Identifier: Apache-2.0
/*
 * boards_try.c - `cranktrap boards --try`: finds the attached board that a file describes, runs it
 * for some seconds and shows what arrives.
 */
#include "boards_try.h"

#include "ask.h"
#include "board_files.h"
#include "board_trial.h"
#include "drivers.h"
#include "ports.h"
#include "print.h"
#include "trial_print.h"
#include "usb_devices.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LISTEN_S     10
#define RECORD_BYTES 4096 /* the kit splits them at every byte: more takes it minutes */
#define DEVICE_BYTES 256
#define PATH_BYTES   4352

struct tried {
    struct command_line *line;
    const char *what;   /* as given */
    char *file;         /* of the board, or NULL: a driver */
    const char *device; /* given, or `found`, or NULL: a USB board found by its ids */
    char found[DEVICE_BYTES];
    const char *record; /* or NULL */
    double seconds, bytes;
    struct board_file_read *read;
    const struct board_driver *driver;
};

/* ---- which board ---- */

/* The board file or the driver of that name; an exit status where there is none. */
static int choose_way(struct tried *tried) {
    struct problems problems = {0};
    char path[BOARD_PATH_MAX];
    int result = board_files_load(tried->what, &tried->read, &problems, path);
    if (result == 0) {
        tried->driver = tried->read->file.driver;
        tried->file = strdup(path);
    } else if (result == -ENOENT) {
        tried->driver = drivers_find(tried->what);
    } else {
        problems_print(&problems, path, stderr);
    }
    problems_clear(&problems);
    if (result < 0 && result != -ENOENT)
        return COMMAND_COULD_NOT;
    if (tried->driver)
        return COMMAND_DONE;
    command_say(tried->line,
                "there is no board file and no driver %s: `cranktrap boards` lists them; a path "
                "needs a slash (./%s)",
                tried->what, tried->what);
    return COMMAND_COULD_NOT;
}

static const char *port_device(const struct port *port) {
    return port->by_id[0] ? port->by_id : port->by_path[0] ? port->by_path : port->node;
}

static bool is_taken(const struct tried *tried, const struct port *port) {
    struct usb_device device = {.vendor = port->vendor, .product = port->product};
    snprintf(device.serial, sizeof device.serial, "%s", port->serial);
    return usb_device_matches(&device, tried->read ? tried->read->file.ids : NULL);
}

/* The only serial port that the file's ids take, or the only one there is. */
static int choose_port(struct tried *tried) {
    struct port *ports = NULL;
    size_t count = 0, taken = 0;
    if (ports_list(&ports, &count) < 0)
        count = 0;
    for (size_t i = 0; i < count; i++)
        if (is_taken(tried, &ports[i]) && taken++ == 0)
            snprintf(tried->found, sizeof tried->found, "%s", port_device(&ports[i]));
    if (taken == 1)
        tried->device = tried->found;
    else if (taken == 0)
        command_say(tried->line,
                    "no serial port is attached that %s takes: plug the board in, or "
                    "say which by --device (`cranktrap boards` lists the ports)",
                    tried->what);
    else
        command_say(tried->line, "%zu ports may be it: say which by --device", taken);
    for (size_t i = 0; taken > 1 && i < count; i++)
        if (is_taken(tried, &ports[i]))
            fprintf(stderr, "  --device %s  %s\n", port_device(&ports[i]), ports[i].description);
    free(ports);
    return taken == 1 ? COMMAND_DONE : COMMAND_COULD_NOT;
}

/* ---- as a hookup has it ---- */

/* Lines of the hookup's section from the words NAME=VALUE. */
static int add_options(const struct tried *tried, FILE *text) {
    const struct command_line *line = tried->line;
    for (int i = 1; i < line->argc; i++) {
        const char *equals = strchr(line->argv[i], '=');
        if (!equals)
            return command_usage(line, "\"%s\" is no option of the driver: NAME=VALUE",
                                 line->argv[i]);
        fprintf(text, "%.*s = %s\n", (int)(equals - line->argv[i]), line->argv[i], equals + 1);
    }
    return COMMAND_DONE;
}

/* A hookup of this one board; the channel in it stands for none. */
static int make_hookup(const struct tried *tried, struct hookup **hookup) {
    struct problems problems = {0};
    char *text = NULL;
    size_t length = 0;
    FILE *stream = open_memstream(&text, &length);
    if (!stream)
        return COMMAND_COULD_NOT;
    fprintf(stream, "[board logger]\n%s = %s\n", tried->file ? "board" : "driver",
            tried->file ? tried->file : tried->driver->name);
    if (tried->device)
        fprintf(stream, "device = %s\n", tried->device);
    int status = add_options(tried, stream);
    fputs("[channel any]\nboard = logger\ninput = 0\nrole = other\nvolts-per-count = 1\n", stream);
    fclose(stream);
    if (status == COMMAND_DONE && hookup_parse_live(text, length, hookup, &problems) < 0) {
        for (size_t i = 0; i < problems.count; i++)
            command_say(tried->line, "%s%s%s",
                        problems.problem[i].where ? problems.problem[i].where : "",
                        problems.problem[i].where ? ": " : "", problems.problem[i].text);
        status = COMMAND_COULD_NOT;
    }
    problems_clear(&problems);
    free(text);
    return status;
}

/* ---- running it ---- */

static int save(const struct tried *tried, const struct board_record *record,
                const struct hookup_board *board) {
    char path[PATH_BYTES];
    if (board_record_bytes(record) == 0)
        return COMMAND_DONE; /* that nothing came was said */
    int result = board_record_save(record, board, tried->record, tried->file, path, sizeof path);
    if (result < 0) {
        command_say(tried->line, "%s: %s", path, strerror(-result));
        return COMMAND_COULD_NOT;
    }
    if (tried->line->json)
        return COMMAND_DONE;
    printf("\nRecorded %zu bytes: %s.bytes; what the driver finds in them: %s.scans (check some by "
           "hand).\nReplay them: sh tests/driver ",
           board_record_bytes(record), tried->record, tried->record);
    if (tried->file)
        printf("%s%s.board", tried->record[0] == '/' ? "" : "\"$PWD\"/", tried->record);
    else
        printf("%s", board->driver->name);
    for (int i = 0; i < 2; i++)
        printf(" %s%s.%s", tried->record[0] == '/' ? "" : "\"$PWD\"/", tried->record,
               i == 0 ? "bytes" : "scans");
    for (size_t i = 0; !tried->file && i < board->settings.count; i++)
        printf(" %s=%s", board->settings.setting[i].name, board->settings.setting[i].value);
    for (int i = 1; tried->file && i < tried->line->argc; i++)
        printf(" %s", tried->line->argv[i]);
    puts("");
    return COMMAND_DONE;
}

static int run(const struct tried *tried, const struct hookup_board *board) {
    static struct trial trial;
    struct board_record *record = NULL;
    if (tried->record && board_record_new((size_t)tried->bytes, &record) < 0)
        return COMMAND_COULD_NOT;
    ask_begin();
    if (!tried->line->json)
        fprintf(stderr, "Listening for %g s (Ctrl-C ends it) ...\n", tried->seconds);
    int status = COMMAND_DONE;
    int result = board_trial_run(board, tried->seconds, record, &trial);
    if (result == -ENOTSUP)
        command_say(tried->line, "driver %s fetches its scans itself: there are no bytes to record",
                    board->driver->name);
    else if (result < 0)
        command_say(tried->line, "%s", trial.why[0] ? trial.why : strerror(-result));
    if (result < 0 && trial.bytes == 0 && trial.scans == 0)
        status = COMMAND_COULD_NOT;
    else if (tried->line->json)
        status = print_json(trial_json(board, &trial));
    else
        trial_print(board, &trial);
    if (status == COMMAND_DONE && record)
        status = save(tried, record, board);
    board_record_free(record);
    return status;
}

/* The numbers of --for and --bytes. */
static int read_numbers(struct tried *tried) {
    const char *seconds = command_option(tried->line, "for");
    const char *bytes = command_option(tried->line, "bytes");
    tried->seconds = seconds ? print_read_seconds(seconds) : LISTEN_S;
    tried->bytes = bytes ? strtod(bytes, NULL) : RECORD_BYTES;
    if (!(tried->seconds > 0 && tried->seconds <= 3600))
        return command_usage(tried->line, "--for \"%s\" is not a time from 0 to 1 h", seconds);
    if (!(tried->bytes >= 1 && tried->bytes <= BOARD_RECORD_MOST))
        return command_usage(tried->line, "--bytes \"%s\" is not a number from 1 to %d", bytes,
                             BOARD_RECORD_MOST);
    return COMMAND_DONE;
}

int boards_try(struct command_line *line, const char *what) {
    struct tried tried = {.line = line, .what = what};
    struct hookup *hookup = NULL;
    tried.device = command_option(line, "device");
    tried.record = command_option(line, "record");
    int status = read_numbers(&tried);
    if (status == COMMAND_DONE)
        status = command_words(line, 0, 64);
    if (status == COMMAND_DONE)
        status = choose_way(&tried);
    if (status == COMMAND_DONE && !tried.device && tried.driver->bus == BOARD_SERIAL)
        status = choose_port(&tried);
    if (status == COMMAND_DONE)
        status = make_hookup(&tried, &hookup);
    if (status == COMMAND_DONE)
        status = run(&tried, &hookup->boards[0]);
    hookup_free(hookup);
    board_files_free(tried.read);
    free(tried.file);
    return status;
}
