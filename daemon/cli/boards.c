// SPDX-License-Identifier: Apache-2.0
/*
 * boards.c - `cranktrap boards`: which ports and USB devices there are, who takes them, which
 * drivers and board files there are.
 */
#include "board_file.h"
#include "board_list.h"
#include "boards_try.h"
#include "client.h"
#include "command.h"
#include "drivers.h"
#include "hookup.h"
#include "ports.h"
#include "print.h"
#include "usb_devices.h"

#include <errno.h>
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

static json_t *ports_json(const struct board_list *files, const struct port *ports, size_t count) {
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
        json_object_set_new(
            json, "takers",
            board_list_takers(files, false, port->vendor, port->product, port->serial));
        json_array_append_new(list, json);
    }
    return list;
}

/* Is the device of a hookup's USB board there? 0, or a negative errno with its sentence. */
static int find_usb(const struct hookup_board *board, char *why, size_t size) {
    struct usb_device device;
    const struct board_file *file = board->settings.file;
    const struct board_id *ids = file ? file->ids : NULL;
    int result = usb_devices_find(ids, board->device, &device);
    if (result == 0)
        result = device.access;
    if (result < 0)
        usb_devices_explain(ids, board->device, result, why, size);
    return result;
}

static int find_port(const struct hookup_board *board, char *why, size_t size) {
    char path[512];
    int result = ports_resolve(board->device, path, sizeof path);
    if (result < 0)
        ports_explain(board->device, result, why, size);
    return result;
}

/* One board of a hookup: is its device there, and may we use it? */
static json_t *hookup_board_json(const struct hookup_board *board) {
    const struct board_file *file = board->settings.file;
    bool usb = board->driver->bus == BOARD_USB;
    json_t *json =
        json_pack("{s:s, s:s, s:s?, s:s?}", "board", board->name, "driver", board->driver->name,
                  "board_file", file ? file->name : NULL, "device", board->device);
    if ((!board->device && !usb) || board->driver->bus == BOARD_KERNEL) {
        json_object_set_new(json, "there", json_true());
        json_object_set_new(json, "why", json_null());
        return json;
    }
    char why[512];
    int result = usb ? find_usb(board, why, sizeof why) : find_port(board, why, sizeof why);
    json_object_set_new(json, "there", json_boolean(result == 0 || result == -EACCES));
    json_object_set_new(json, "why", result < 0 ? json_string(why) : json_null());
    return json;
}

static void print_ports(const struct port *ports, size_t count, const json_t *described,
                        bool explain) {
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
        board_list_print_takers(json_object_get(json_array_get(described, i), "takers"), explain);
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

/* Everything there is to say, gathered; NULL after it was said why not. */
static json_t *gather(const struct command_line *line, const struct board_list *files,
                      const struct port *ports, size_t count, json_t *hookup_boards) {
    json_t *status = NULL;
    (void)client_ask(line, "GET", "/v0/status", NULL, true, &status);
    json_t *usb = board_list_usb(files);
    json_t *all = json_pack("{s:s, s:o, s:o?, s:o, s:o, s:O?, s:O?}", "schema",
                            "cranktrap.boards/1", "ports", ports_json(files, ports, count), "usb",
                            usb, "drivers", drivers_json(), "board_files", board_list_files(files),
                            "daemon", json_object_get(status, "boards"), "hookup", hookup_boards);
    json_decref(status);
    return all;
}

static void print_all(const json_t *all, const struct port *ports, size_t count, bool explain) {
    print_ports(ports, count, json_object_get(all, "ports"), explain);
    board_list_print_usb(json_object_get(all, "usb"), explain);
    print_boards(json_object_get(all, "hookup"), "Boards of the hookup");
    print_boards(json_object_get(all, "daemon"), "Boards the daemon has");
    print_drivers();
    board_list_print_files(json_object_get(all, "board_files"), explain);
}

int command_boards(const struct command_line *given) {
    struct command_line line = *given;
    const char *hookup = command_option(&line, "hookup");
    bool explain = command_flag(&line, "explain");
    const char *tried = command_option(&line, "try");
    if (tried && tried[0] == '\0')
        return command_usage(&line, "--try needs the name of a board file or a driver");
    if (tried)
        return boards_try(&line, tried);
    if (command_option(&line, "record"))
        return command_usage(&line, "--record needs --try BOARD: which board's bytes?");
    int wrong = command_words(&line, 0, 0);
    if (wrong)
        return wrong;
    json_t *hookup_boards = hookup ? load_boards(&line, hookup) : NULL;
    if (hookup && !hookup_boards)
        return COMMAND_COULD_NOT;
    struct port *ports = NULL;
    struct board_list *files = NULL;
    size_t count = 0;
    int status_code = COMMAND_COULD_NOT;
    int result = ports_list(&ports, &count);
    if (result < 0)
        command_say(&line, "the serial ports cannot be listed: %s", strerror(-result));
    else if ((result = board_list_new(&files)) < 0)
        command_say(&line, "the board files cannot be read: %s", strerror(-result));
    if (result == 0) {
        json_t *all = gather(&line, files, ports, count, hookup_boards);
        status_code = COMMAND_DONE;
        if (line.json) {
            status_code = print_json(all);
        } else {
            print_all(all, ports, count, explain);
            json_decref(all);
        }
    }
    json_decref(hookup_boards);
    board_list_free(files);
    free(ports);
    return status_code;
}
