// SPDX-License-Identifier: Apache-2.0
/*
 * boards.c - `cranktrap boards`: which ports there are, who takes them, which drivers there are.
 */
#include "client.h"
#include "command.h"
#include "drivers.h"
#include "hookup.h"
#include "ports.h"
#include "print.h"

#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *maturity_name(enum board_maturity maturity) {
    return maturity == BOARD_TRIED_ON_HARDWARE ? "tried-on-hardware" : "tried-on-fakes-only";
}

static json_t *drivers_json(void) {
    size_t count;
    const struct board_driver *const *drivers = drivers_all(&count);
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++)
        json_array_append_new(list, json_pack("{s:s, s:s, s:s}", "driver", drivers[i]->name,
                                              "summary", drivers[i]->summary, "maturity",
                                              maturity_name(drivers[i]->maturity)));
    return list;
}

static json_t *ports_json(const struct port *ports, size_t count) {
    json_t *list = json_array();
    for (size_t i = 0; i < count; i++) {
        const struct port *port = &ports[i];
        json_t *json = json_pack("{s:s, s:s, s:b}", "node", port->node, "description",
                                 port->description, "usable", port->access == 0);
        json_object_set_new(json, "by_id", port->by_id[0] ? json_string(port->by_id) : json_null());
        json_object_set_new(json, "by_path",
                            port->by_path[0] ? json_string(port->by_path) : json_null());
        json_object_set_new(json, "serial",
                            port->serial[0] ? json_string(port->serial) : json_null());
        char id[16];
        snprintf(id, sizeof id, "%04x:%04x", port->vendor, port->product);
        json_object_set_new(json, "usb_id", port->vendor ? json_string(id) : json_null());
        json_array_append_new(list, json);
    }
    return list;
}

/* One board of a hookup: is its device there, and may we use it? */
static json_t *hookup_board_json(const struct hookup_board *board) {
    json_t *json = json_pack("{s:s, s:s, s:s?}", "board", board->name, "driver",
                             board->driver->name, "device", board->device);
    if (!board->device) {
        json_object_set_new(json, "there", json_true());
        json_object_set_new(json, "why", json_null());
        return json;
    }
    char path[512], why[512];
    int result = ports_resolve(board->device, path, sizeof path);
    json_object_set_new(json, "there", json_boolean(result == 0));
    if (result < 0)
        ports_explain(board->device, result, why, sizeof why);
    json_object_set_new(json, "why", result < 0 ? json_string(why) : json_null());
    return json;
}

static void print_ports(const struct port *ports, size_t count) {
    if (count == 0)
        puts("No serial port is attached. Plug the board in; `dmesg` shows whether the system "
             "sees it.");
    for (size_t i = 0; i < count; i++) {
        const struct port *port = &ports[i];
        printf("%s  %s\n", port->node, port->description);
        if (port->vendor)
            printf("  USB %04x:%04x, serial number %s\n", port->vendor, port->product,
                   port->serial[0] ? port->serial : "none");
        printf("  device = %s\n", port->by_id[0]     ? port->by_id
                                  : port->by_path[0] ? port->by_path
                                                     : port->node);
        if (port->access) {
            char why[512];
            ports_explain(port->node, port->access, why, sizeof why);
            printf("  %s\n", why);
        }
    }
}

static void print_drivers(void) {
    size_t count;
    const struct board_driver *const *drivers = drivers_all(&count);
    puts("\nDrivers (driver = NAME in a hookup):");
    for (size_t i = 0; i < count; i++)
        printf("  %-14s %s (%s)\n", drivers[i]->name, drivers[i]->summary,
               maturity_name(drivers[i]->maturity));
}

static void print_boards(const json_t *boards, const char *title) {
    size_t index;
    json_t *board;
    if (json_array_size(boards))
        printf("\n%s:\n", title);
    json_array_foreach(boards, index, board) {
        const char *state = json_string_value(json_object_get(board, "state"));
        const char *why = json_string_value(json_object_get(board, "why"));
        if (!state)
            state = json_is_true(json_object_get(board, "there")) ? "there" : "missing";
        printf("  %-14s %s%s%s\n", json_string_value(json_object_get(board, "board")), state,
               why ? ": " : "", why ? why : "");
    }
}

/* The boards of a hookup file, or NULL with its problems printed. */
static json_t *load_boards(const struct command_line *line, const char *path) {
    struct problems problems = {0};
    struct hookup *hookup = NULL;
    int result = hookup_load(path, HOOKUP_FOR_BOARDS, &hookup, &problems);
    json_t *list = NULL;
    if (result < 0) {
        problems_print(&problems, path, stderr);
        if (!problems.count)
            command_say(line, "%s: %s", path, strerror(-result));
    } else {
        list = json_array();
        for (size_t i = 0; i < hookup->board_count; i++)
            json_array_append_new(list, hookup_board_json(&hookup->boards[i]));
    }
    hookup_free(hookup);
    problems_clear(&problems);
    return list;
}

int command_boards(const struct command_line *given) {
    struct command_line line = *given;
    const char *hookup = command_option(&line, "hookup");
    int wrong = command_words(&line, 0, 0);
    if (wrong)
        return wrong;
    json_t *hookup_boards = hookup ? load_boards(&line, hookup) : NULL;
    if (hookup && !hookup_boards)
        return COMMAND_COULD_NOT;
    struct port *ports = NULL;
    size_t count = 0;
    int result = ports_list(&ports, &count);
    if (result < 0) {
        command_say(&line, "the serial ports cannot be listed: %s", strerror(-result));
        json_decref(hookup_boards);
        return COMMAND_COULD_NOT;
    }
    json_t *status = NULL;
    (void)client_ask(&line, "GET", "/v0/status", NULL, true, &status);
    json_t *streaming = json_object_get(status, "boards");
    int status_code = COMMAND_DONE;
    if (line.json) {
        json_t *json = json_pack("{s:s, s:o, s:o, s:O?, s:O?}", "schema", "cranktrap.boards/1",
                                 "ports", ports_json(ports, count), "drivers", drivers_json(),
                                 "daemon", streaming, "hookup", hookup_boards);
        status_code = print_json(json);
    } else {
        print_ports(ports, count);
        print_boards(hookup_boards, "Boards of the hookup");
        print_boards(streaming, "Boards the daemon has");
        print_drivers();
    }
    json_decref(status);
    json_decref(hookup_boards);
    free(ports);
    return status_code;
}
