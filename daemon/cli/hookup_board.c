// SPDX-License-Identifier: Apache-2.0
/*
 * hookup_board.c - the questions about the board: its port, its driver or file, what it sends.
 */
#include "hookup_talk.h"

#include "board_files.h"
#include "drivers.h"
#include "ports.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LISTEN_S     0.2
#define WAYS_MOST    64
#define LISTEN_TIMES 40 /* a board that boots when its port is opened is deaf for two seconds */
#define DEVICE_BYTES 256
#define RATE_APART   0.02

static const char *port_device(const struct port *port) {
    return port->by_id[0] ? port->by_id : port->by_path[0] ? port->by_path : port->node;
}

static void print_ports(const struct port *ports, size_t count) {
    if (count == 0)
        puts("No serial port is attached now. Plug the board in and press Enter to look again, or");
    else
        puts("Ports that are attached:");
    for (size_t i = 0; i < count; i++) {
        const struct port *port = &ports[i];
        printf("  %zu  %s  %s\n", i + 1, port_device(port), port->description);
        if (port->access) {
            char why[512];
            ports_explain(port->node, port->access, why, sizeof why);
            printf("     %s\n", why);
        }
    }
    puts("  a path or a serial number; or sim for the simulated van (docs/sim.md).");
}

/* The device's name, or "sim". */
static int ask_device(char *device) {
    for (;;) {
        struct port *ports = NULL;
        size_t count = 0;
        char answer[ASK_BYTES];
        if (ports_list(&ports, &count) < 0)
            count = 0;
        print_ports(ports, count);
        int result = ask("Which board", count ? "1" : NULL, NULL, answer);
        char *end;
        unsigned long number = strtoul(answer, &end, 10);
        bool listed = result == 0 && *answer && !*end && number >= 1 && number <= count;
        if (result == 0)
            snprintf(device, DEVICE_BYTES, "%s", listed ? port_device(&ports[number - 1]) : answer);
        free(ports);
        if (result < 0 || *device)
            return result;
    }
}

static void add_line(struct draft *draft, const char *key, const char *value) {
    size_t length = strlen(draft->board);
    snprintf(draft->board + length, sizeof draft->board - length, "%s = %s\n", key, value);
}

/* A driver, or a board file (then `*driver` is NULL), as a line of the section. */
static int choose_way(struct draft *draft, char *const *files, size_t file_count,
                      const struct board_driver **driver) {
    const char *names[WAYS_MOST];
    size_t count, words = 0, standard = 0;
    const struct board_driver *const *drivers = drivers_all(&count);
    puts("Drivers, and boards that are described by a file (docs/board-files.md):");
    for (size_t i = 0; i < count && words < WAYS_MOST; i++) {
        if (drivers[i]->bus == BOARD_SIMULATED || drivers[i]->bus == BOARD_KERNEL)
            continue;
        printf("  %-18s %s\n", drivers[i]->name, drivers[i]->summary);
        if (strcmp(drivers[i]->name, "packet-serial") == 0)
            standard = words;
        names[words++] = drivers[i]->name;
    }
    size_t driver_words = words;
    for (size_t i = 0; i < file_count && words < WAYS_MOST; i++) {
        printf("  %-18s board file\n", files[i]);
        names[words++] = files[i];
    }
    int chosen = ask_word("Which of them speaks with it", names, words, standard);
    if (chosen < 0)
        return chosen;
    bool is_driver = (size_t)chosen < driver_words;
    *driver = is_driver ? drivers_find(names[chosen]) : NULL;
    add_line(draft, is_driver ? "driver" : "board", names[chosen]);
    return 0;
}

static int ask_way(struct draft *draft, const struct board_driver **driver) {
    char **files = NULL;
    size_t count = 0;
    if (board_files_names(&files, &count) < 0)
        count = 0;
    int result = choose_way(draft, files, count, driver);
    board_files_names_free(files, count);
    return result;
}

static void print_options(const struct board_driver *driver) {
    const struct board_option *option = driver ? driver->options : NULL;
    if (!option)
        puts("  baud, rate, and what docs/board-files.md has for its driver");
    for (; option && option->name; option++)
        printf("  %s (%s): %s\n", option->name, option->standard ? option->standard : "not set",
               option->help);
}

static bool is_option(const struct board_driver *driver, const char *name) {
    const struct board_option *option = driver->options;
    while (option && option->name && strcmp(option->name, name) != 0)
        option++;
    return option && option->name;
}

/* Those that must be given, then any other. */
static int ask_options(struct draft *draft, const struct board_driver *driver) {
    char answer[ASK_BYTES];
    const struct board_option *option = driver ? driver->options : NULL;
    for (; option && option->name; option++) {
        if (!option->required)
            continue;
        printf("%s: %s\n", option->name, option->help);
        int result = ask(option->name, option->standard, NULL, answer);
        if (result < 0)
            return result;
        add_line(draft, option->name, answer);
    }
    for (;;) {
        int result =
            ask("Options as NAME = VALUE (? lists them, Enter goes on)", NULL, NULL, answer);
        char *equals = strchr(answer, '=');
        if (result < 0 || !*answer)
            return result;
        if (!equals) {
            print_options(driver);
            continue;
        }
        *equals = '\0';
        answer[strcspn(answer, " ")] = '\0';
        if (driver && !is_option(driver, answer)) {
            printf("  %s has no %s\n", driver->name, answer);
            continue;
        }
        add_line(draft, answer, equals + 1 + strspn(equals + 1, " "));
    }
}

/* Waits until it sends, or says why it does not. 1: it sends. */
static int listen(struct hookup_live *live) {
    struct intake_status status = {0};
    printf("Listening ...\n");
    for (int waited = 0; waited < LISTEN_TIMES; waited++) {
        int result = ask_pause(LISTEN_S);
        if (result < 0)
            return result;
        hookup_live_status(live, &status);
        if (hookup_live_rate(live) > 0)
            return 1;
        if (status.state == INTAKE_REFUSED)
            break;
    }
    printf("Nothing to use came. Board: %s%s%s\n", intake_board_state_name(status.state),
           status.why[0] ? ": " : "", status.why);
    return 0;
}

static void print_found(struct hookup_live *live) {
    struct board_description description;
    if (!hookup_live_described(live, &description))
        return;
    printf("It sends: %s%s%zu inputs, %.4g scans/s%s.\n", description.identity,
           description.identity[0] ? ", " : "", description.inputs, hookup_live_rate(live),
           isfinite(description.volts_per_count[0]) ? ""
                                                    : "; counts, it does not say how many volts");
    double claimed = description.rate_hz, rate = hookup_live_rate(live);
    if (claimed > 0 && fabs(rate / claimed - 1) > RATE_APART)
        printf(
            "CAUTION: it is said to send %.4g scans/s. Choose the board again and give the right "
            "rate.\n",
            claimed);
}

/* One try: 1 it sends and is taken, 0 ask again. */
static int try_board(struct draft *draft, struct hookup_live **live) {
    char device[DEVICE_BYTES] = "";
    const struct board_driver *driver = drivers_find("sim");
    draft->board[0] = '\0';
    int result = ask_device(device);
    bool simulated = strcmp(device, "sim") == 0;
    if (result < 0)
        return result;
    if (simulated)
        add_line(draft, "driver", driver->name);
    else
        add_line(draft, "device", device);
    if (!simulated)
        result = ask_way(draft, &driver);
    if (result == 0)
        result = ask_options(draft, driver);
    if (result < 0)
        return result;
    struct problems problems = {0};
    result = hookup_live_open(draft->board, live, &problems);
    for (size_t i = 0; i < problems.count; i++)
        printf("  %s%s%s\n", problems.problem[i].where ? problems.problem[i].where : "",
               problems.problem[i].where ? ": " : "", problems.problem[i].text);
    problems_clear(&problems);
    if (result == -EINVAL)
        return 0;
    return result < 0 ? result : listen(*live);
}

int hookup_ask_board(struct draft *draft, struct hookup_live **live) {
    for (;;) {
        int result = try_board(draft, live);
        if (result > 0) {
            print_found(*live);
            static const char *const words[] = {"yes", "no"};
            result = ask_word("Is that the board", words, 2, 0);
            if (result <= 0)
                return result;
        }
        if (result < 0)
            return result;
        hookup_live_close(*live);
        *live = NULL;
    }
}
