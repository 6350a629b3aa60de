// SPDX-License-Identifier: Apache-2.0
/*
 * board_part.c - the sections [board NAME]: a driver or a board file, its device and its options.
 */
#include "board_files.h"
#include "drivers.h"
#include "reading.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char *const board_keys[] = {"driver", "board",  "device", "rate",
                                         "baud",   "ground", NULL};

static const struct board_driver *read_driver(struct reading *reading,
                                              const struct document_section *section) {
    const struct document_entry *entry = reading_required(
        reading, section, "driver",
        "which driver speaks with the board? Or board = NAME, the name of a board file");
    if (!entry)
        return NULL;
    size_t count;
    const struct board_driver *const *drivers = drivers_all(&count);
    const char **names = reading_take(reading, (count + 1) * sizeof *names);
    if (!names)
        return NULL;
    for (size_t i = 0; i < count; i++)
        names[i] = drivers[i]->name;
    int index = reading_word(reading, section, entry, names, count);
    return index < 0 ? NULL : drivers[index];
}

/* Checks the value of an option against the driver's table. */
bool reading_option(struct reading *reading, const struct document_section *section,
                    const struct board_option *option, const struct document_entry *entry) {
    double number;
    switch (option->type) {
    case BOARD_OPTION_NUMBER:
    case BOARD_OPTION_WHOLE:
        if (!reading_quantity(reading, section, entry, entry->value, QUANTITY_PLAIN, option->lowest,
                              option->highest, &number))
            return false;
        if (option->type == BOARD_OPTION_NUMBER || !(floor(number) < number))
            return true;
        reading_problem(reading, section, entry, "must be a whole number: %s", option->help);
        return false;
    case BOARD_OPTION_WORD: {
        const char *words[32];
        size_t count = 0;
        char *list = arena_text(reading->arena, option->words, strlen(option->words));
        for (char *rest = list, *word; list && (word = strsep(&rest, "|")) && count < 32;)
            words[count++] = word;
        return list && reading_word(reading, section, entry, words, count) >= 0;
    }
    case BOARD_OPTION_TEXT:
        break;
    }
    return true;
}

/* The board file's value of an option, or NULL. */
static const char *file_value(const struct board_file_read *file, const char *name) {
    for (size_t i = 0; file && i < file->setting_count; i++)
        if (strcmp(file->setting[i].name, name) == 0)
            return file->setting[i].value;
    return NULL;
}

/* A problem of the board file, told at the line that names it. */
static void pass_problems_on(struct reading *reading, const struct document_section *section,
                             const struct document_entry *entry, const char *path,
                             const struct problems *problems) {
    for (size_t i = 0; i < problems->count; i++) {
        const struct problem *problem = &problems->problem[i];
        reading_problem(reading, section, entry, "%s:%u: %s%s%s%s%s%s", path, problem->line,
                        problem->where ? problem->where : "", problem->where ? ": " : "",
                        problem->read ? "read \"" : "", problem->read ? problem->read : "",
                        problem->read ? "\": " : "", problem->text);
    }
}

static void say_no_such_file(struct reading *reading, const struct document_section *section,
                             const struct document_entry *entry) {
    char **names = NULL;
    size_t count = 0;
    if (strchr(entry->value, '/')) {
        reading_problem(reading, section, entry, "there is no such file");
    } else if (board_files_names(&names, &count) < 0) {
        reading->out_of_memory = true;
    } else {
        (void)reading_word(reading, section, entry, (const char *const *)names, count);
        board_files_names_free(names, count);
    }
}

/* The board file that `board =` names, or NULL and a problem. */
static struct board_file_read *load_board_file(struct reading *reading,
                                               const struct document_section *section,
                                               const struct document_entry *entry) {
    struct hookup_whole *whole = reading->whole;
    struct problems problems = {0};
    struct board_file_read *file = NULL;
    char path[BOARD_PATH_MAX];
    int result = board_files_load(entry->value, &file, &problems, path);
    if (result == -EINVAL)
        pass_problems_on(reading, section, entry, path, &problems);
    else if (result == -ENOENT)
        say_no_such_file(reading, section, entry);
    else if (result < 0)
        reading_problem(reading, section, entry, "%s cannot be read: %s", path, strerror(-result));
    problems_clear(&problems);
    if (file)
        whole->board_files[whole->board_file_count++] = file;
    return file;
}

static void read_options(struct reading *reading, const struct document_section *section,
                         const struct board_file_read *file, struct hookup_board *board) {
    const struct board_option *options = board->driver->options;
    size_t count = 0;
    while (options && options[count].name)
        count++;
    struct board_setting *settings = reading_take(reading, (count + 1) * sizeof *settings);
    if (!settings)
        return;
    for (size_t i = 0; i < count; i++) {
        const struct board_option *option = &options[i];
        const char *given = file_value(file, option->name);
        const struct document_entry *entry =
            option->required && !option->standard && !given
                ? reading_required(reading, section, option->name, option->help)
                : reading_entry(reading, section, option->name);
        if (entry && reading_option(reading, section, option, entry))
            given = entry->value;
        if (given)
            settings[board->settings.count++] =
                (struct board_setting){.name = option->name, .value = given};
    }
    board->settings.setting = settings;
}

static bool has_option(const struct board_driver *driver, const char *name) {
    for (const struct board_option *option = driver->options; option && option->name; option++)
        if (strcmp(option->name, name) == 0)
            return true;
    return false;
}

/* `rate` and `baud` are known for every board; a driver's own row of that name checks them. */
static double read_common(struct reading *reading, const struct document_section *section,
                          const struct hookup_board *board, const char *key, double lowest,
                          double highest) {
    double number = 0;
    if (board->driver && has_option(board->driver, key))
        return board_setting_number(board->driver, &board->settings, key, 0);
    reading_number(reading, section, key, QUANTITY_PLAIN, lowest, highest, &number);
    return number;
}

static void read_device(struct reading *reading, const struct document_section *section,
                        struct hookup_board *board) {
    bool serial = board->driver && board->driver->bus == BOARD_SERIAL;
    bool usb = board->driver && board->driver->bus == BOARD_USB;
    bool known = board->settings.file && board->settings.file->ids;
    const struct document_entry *entry =
        usb && board->settings.file && !known
            ? reading_required(reading, section, "device",
                               "the board's USB serial number, or its port (such as 1-1.4): its "
                               "board file has no ids")
        : serial ? reading_required(reading, section, "device",
                                    "a path (/dev/serial/by-id/... stays the same board), or a "
                                    "serial number")
                 : reading_entry(reading, section, "device");
    if (!entry)
        return;
    if (board->driver && board->driver->bus == BOARD_SIMULATED) {
        reading_problem(reading, section, entry, "a simulated board has no device: take it out");
        return;
    }
    board->device = board->settings.device = entry->value;
    const struct hookup *hookup = &reading->whole->hookup;
    for (size_t i = 0; i < hookup->board_count; i++)
        if (hookup->boards[i].device && strcmp(hookup->boards[i].device, entry->value) == 0)
            reading_problem(reading, section, entry,
                            "this device is board \"%s\" already (line %u)", hookup->boards[i].name,
                            hookup->boards[i].line);
}

static void read_board(struct reading *reading, const struct document_section *section,
                       struct hookup_board *board) {
    *board = (struct hookup_board){.name = section->name,
                                   .line = section->line,
                                   .ground = reading->whole->hookup.vehicle.ground};
    const struct document_entry *entry = reading_entry(reading, section, "board");
    const struct board_file_read *file = NULL;
    if (entry && reading_entry(reading, section, "driver"))
        reading_problem(reading, section, entry,
                        "a board file names its own driver: take driver = out");
    /* A record is read where its board file may not be; its head says what the board was. */
    if (entry && reading->try_boards)
        file = load_board_file(reading, section, entry);
    if (file) {
        board->driver = file->file.driver;
        board->settings.file = &file->file;
    } else if (!entry) {
        board->driver = read_driver(reading, section);
    }
    if (board->driver)
        read_options(reading, section, file, board);
    read_device(reading, section, board);
    reading_ground(reading, section, &board->ground);
    board->rate_hz = read_common(reading, section, board, "rate", 0.001, 10e6);
    board->baud = (unsigned)read_common(reading, section, board, "baud", 50, 12e6);
    /* Without a driver nobody can say which other keys are options. */
    if (board->driver)
        reading_rest(reading, section, board_keys, board->driver->options);
}

void reading_boards(struct reading *reading) {
    struct hookup_whole *whole = reading->whole;
    whole->boards =
        reading_take(reading, (reading_count(reading, "board") + 1) * sizeof *whole->boards);
    whole->board_sound = reading_take(reading, reading_count(reading, "board") + 1);
    whole->board_files =
        reading_take(reading, (reading_count(reading, "board") + 1) * sizeof(void *));
    if (!whole->boards || !whole->board_sound || !whole->board_files)
        return;
    whole->hookup.boards = whole->boards;
    for (const struct document_section *section = reading_next(reading, NULL, "board"); section;
         section = reading_next(reading, section, "board"))
        if (reading_name(reading, section)) {
            size_t problems_before = reading->problems->count;
            read_board(reading, section, &whole->boards[whole->hookup.board_count]);
            whole->board_sound[whole->hookup.board_count] =
                reading->problems->count == problems_before;
            whole->hookup.board_count++;
        }
}

static void try_board(struct reading *reading, size_t index) {
    struct hookup *hookup = &reading->whole->hookup;
    const struct hookup_board *board = &hookup->boards[index];
    const struct board_sinks sinks = {0};
    struct board *opened = NULL;
    struct board_description description;
    char why[256] = "the driver refuses these settings";
    char *where = NULL;
    if (!reading->whole->board_sound[index] || !board->driver->open)
        return;
    if (board->driver->open(&board->settings, &sinks, &opened, why, sizeof why) < 0) {
        if (asprintf(&where, "[board %s]", board->name) < 0)
            where = NULL;
        if (!where || problems_add(reading->problems, board->line, where, NULL, "%s", why) < 0)
            reading->out_of_memory = true;
        free(where);
        return;
    }
    if (board->driver->describe && board->driver->describe(opened, &description) == 0) {
        reading->whole->boards[index].dead_time_s = description.dead_time_s;
        if (hookup_fit_board(hookup, index, &description, reading->problems) == -ENOMEM)
            reading->out_of_memory = true;
    }
    if (board->driver->close)
        board->driver->close(opened);
}

void reading_try_boards(struct reading *reading) {
    for (size_t i = 0; i < reading->whole->hookup.board_count; i++)
        try_board(reading, i);
}
