// SPDX-License-Identifier: Apache-2.0
/*
 * board_list.c - board files and USB devices, and which of them belong together.
 */
#include "board_list.h"

#include "board_files.h"
#include "usb_devices.h"

#include <errno.h>
#include <fnmatch.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct listed {
    char *path;
    struct board_file_read *read; /* NULL: it is wrong */
    struct problems problems;
    int error;
};

struct board_list {
    char **names;
    size_t count;
    struct listed *files; /* one per name */
};

/* ---- reading ---- */

int board_list_new(struct board_list **list) {
    struct board_list *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    int result = board_files_names(&made->names, &made->count);
    if (result == 0)
        made->files = calloc(made->count + 1, sizeof *made->files);
    if (result == 0 && !made->files)
        result = -ENOMEM;
    for (size_t i = 0; result == 0 && i < made->count; i++) {
        char path[BOARD_PATH_MAX];
        struct listed *listed = &made->files[i];
        listed->error = board_files_load(made->names[i], &listed->read, &listed->problems, path);
        listed->path = strdup(path);
        if (!listed->path)
            result = -ENOMEM;
    }
    if (result < 0)
        board_list_free(made);
    else
        *list = made;
    return result;
}

void board_list_free(struct board_list *list) {
    if (!list)
        return;
    for (size_t i = 0; list->files && i < list->count; i++) {
        board_files_free(list->files[i].read);
        problems_clear(&list->files[i].problems);
        free(list->files[i].path);
    }
    free(list->files);
    board_files_names_free(list->names, list->count);
    free(list);
}

/* ---- JSON ---- */

static json_t *problems_json(const struct listed *listed) {
    json_t *list = json_array();
    for (size_t i = 0; i < listed->problems.count; i++) {
        const struct problem *problem = &listed->problems.problem[i];
        json_array_append_new(list, json_sprintf("line %u: %s%s%s", problem->line,
                                                 problem->where ? problem->where : "",
                                                 problem->where ? ": " : "", problem->text));
    }
    if (listed->error < 0 && listed->problems.count == 0)
        json_array_append_new(list, json_string(strerror(-listed->error)));
    return list;
}

json_t *board_list_files(const struct board_list *list) {
    json_t *files = json_array();
    for (size_t i = 0; i < list->count; i++) {
        const struct listed *listed = &list->files[i];
        const struct board_file *file = listed->read ? &listed->read->file : NULL;
        json_array_append_new(
            files, json_pack("{s:s, s:s, s:s?, s:s?, s:s?, s:o}", "board_file", list->names[i],
                             "path", listed->path, "driver", file ? file->driver->name : NULL,
                             "summary", file ? file->summary : NULL, "maturity",
                             !file                                       ? NULL
                             : file->maturity == BOARD_TRIED_ON_HARDWARE ? "tried-on-hardware"
                                                                         : "tried-on-fakes-only",
                             "problems", problems_json(listed)));
    }
    return files;
}

/* Why a file takes a device, or does not. */
static json_t *taker_json(const char *name, const struct board_id *ids, uint16_t vendor,
                          uint16_t product, const char *serial) {
    const struct board_id *near = NULL;
    for (const struct board_id *id = ids; id && (id->vendor || id->product); id++) {
        if (id->vendor != vendor || id->product != product)
            continue;
        near = id;
        if (!id->serial_pattern || fnmatch(id->serial_pattern, serial, 0) == 0)
            return json_pack("{s:s, s:b, s:o}", "board_file", name, "takes", 1, "why",
                             json_sprintf("its ids have %04x:%04x", vendor, product));
    }
    json_t *why;
    if (near)
        why = json_sprintf("its ids have %04x:%04x, but the serial number \"%s\" is not %s", vendor,
                           product, serial, near->serial_pattern);
    else if (!ids)
        why = json_string("it has no ids: a hookup must name it, with device =");
    else
        why = json_sprintf("its ids do not have %04x:%04x", vendor, product);
    return json_pack("{s:s, s:b, s:o}", "board_file", name, "takes", 0, "why", why);
}

json_t *board_list_takers(const struct board_list *list, bool usb, uint16_t vendor,
                          uint16_t product, const char *serial) {
    json_t *takers = json_array();
    for (size_t i = 0; i < list->count; i++) {
        const struct board_file_read *read = list->files[i].read;
        if (!read || (read->file.driver->bus == BOARD_USB) != usb)
            continue;
        json_array_append_new(takers,
                              taker_json(list->names[i], read->file.ids, vendor, product, serial));
    }
    return takers;
}

static json_t *usb_json(const struct board_list *list, const struct usb_device *device) {
    char why[512], id[16];
    snprintf(id, sizeof id, "%04x:%04x", device->vendor, device->product);
    if (device->access < 0)
        usb_devices_explain(NULL, device->node, device->access, why, sizeof why);
    return json_pack(
        "{s:s, s:s, s:s, s:s?, s:s?, s:b, s:s?, s:o}", "node", device->node, "port", device->port,
        "usb_id", id, "serial", device->serial[0] ? device->serial : NULL, "name",
        device->name[0] ? device->name : NULL, "usable", device->access == 0, "why",
        device->access < 0 ? why : NULL, "takers",
        board_list_takers(list, true, device->vendor, device->product, device->serial));
}

json_t *board_list_usb(const struct board_list *list) {
    struct usb_device *devices = NULL;
    size_t count = 0;
    if (usb_devices_list(&devices, &count) < 0)
        return NULL;
    json_t *array = json_array();
    for (size_t i = 0; i < count; i++) {
        json_t *device = usb_json(list, &devices[i]);
        /* A device may call itself anything; what is no text is left out. */
        if (!device) {
            devices[i].name[0] = devices[i].serial[0] = '\0';
            device = usb_json(list, &devices[i]);
        }
        json_array_append_new(array, device);
    }
    free(devices);
    return array;
}

/* ---- text ---- */

static const char *text_of(const json_t *object, const char *key) {
    const char *text = json_string_value(json_object_get(object, key));
    return text ? text : "";
}

void board_list_print_files(const json_t *files, bool explain) {
    size_t index, line;
    json_t *file, *problem;
    puts("\nBoard files (board = NAME in a hookup; docs/board-files.md):");
    json_array_foreach(files, index, file) {
        json_t *problems = json_object_get(file, "problems");
        if (json_array_size(problems) == 0) {
            printf("  %-16s %s (%s, %s)\n", text_of(file, "board_file"), text_of(file, "summary"),
                   text_of(file, "driver"), text_of(file, "maturity"));
            if (explain)
                printf("  %-16s %s\n", "", text_of(file, "path"));
            continue;
        }
        printf("  %-16s not used: %s is wrong%s\n", text_of(file, "board_file"),
               text_of(file, "path"), explain ? ":" : "; --explain says where");
        if (explain)
            json_array_foreach(problems, line, problem)
                printf("  %-16s %s\n", "", json_string_value(problem));
    }
}

void board_list_print_takers(const json_t *takers, bool explain) {
    size_t index;
    json_t *taker;
    json_array_foreach(takers, index, taker) {
        bool takes = json_is_true(json_object_get(taker, "takes"));
        if (takes || explain)
            printf("  %s board file %s: %s\n", takes ? "taken by" : "not by",
                   text_of(taker, "board_file"), text_of(taker, "why"));
    }
}

static bool is_taken(const json_t *device) {
    size_t index;
    json_t *taker;
    json_array_foreach(json_object_get(device, "takers"), index,
                       taker) if (json_is_true(json_object_get(taker, "takes"))) return true;
    return false;
}

/* Most USB devices of a computer are no boards: those that nobody takes only when asked why. */
void board_list_print_usb(const json_t *devices, bool explain) {
    size_t index, others = 0;
    json_t *device;
    json_array_foreach(devices, index, device) {
        if (!is_taken(device) && !explain) {
            others++;
            continue;
        }
        const char *serial = text_of(device, "serial");
        printf("USB port %s  %s\n  USB %s, serial number %s, %s\n  device = %s\n",
               text_of(device, "port"), text_of(device, "name"), text_of(device, "usb_id"),
               serial[0] ? serial : "none", text_of(device, "node"),
               serial[0] ? serial : text_of(device, "port"));
        if (!json_is_true(json_object_get(device, "usable")))
            printf("  %s\n", text_of(device, "why"));
        board_list_print_takers(json_object_get(device, "takers"), explain);
    }
    if (others)
        printf("%zu USB devices that no board file takes: `cranktrap boards --explain` says why.\n",
               others);
}
