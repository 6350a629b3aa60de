// SPDX-License-Identifier: Apache-2.0
/*
 * board_files.c - reads a board file whole: text, sections, checks; all of it or nothing.
 */
#include "board_files.h"

#include "board_file_part.h"
#include "drivers.h"
#include "text_file.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>

#define TEXT_MAX (1U << 16)
#define IDS_MAX  32

static const char *const kinds[] = {"board", "usb", "packet", "inputs", "input"};
static const char *const board_keys[] = {"summary",  "driver",  "ids",        "serial-number",
                                         "maturity", "silence", "boot-delay", "reset",
                                         "start",    "stop",    "ask",        NULL};
static const char *const usb_keys[] = {"interface", "alternate", "endpoint", "endpoint-out", NULL};

struct whole {
    struct board_file_read read; /* first: it is cast back to its whole */
    struct arena arena;
    struct board_id ids[IDS_MAX + 1];
    struct board_setting *settings;
};

/* ---- [board] ---- */

static const struct board_driver *read_driver(struct reading *reading,
                                              const struct document_section *section) {
    static const char *const names[] = {"text-serial", "layout-serial", "usb-bulk",
                                        "usb-iso",     "modbus-rtu",    "usb-tmc"};
    const struct document_entry *entry =
        reading_required(reading, section, "driver", "which driver speaks with the board");
    int index =
        entry ? reading_word(reading, section, entry, names, sizeof names / sizeof names[0]) : -1;
    return index < 0 ? NULL : drivers_find(names[index]);
}

static void read_ids(struct reading *reading, const struct document_section *section,
                     struct whole *whole) {
    const struct document_entry *entry = reading_entry(reading, section, "ids");
    const char *pattern = reading_text(reading, section, "serial-number");
    size_t count = 0;
    if (pattern && strcspn(pattern, "\"\\$%") != strlen(pattern))
        reading_problem(reading, section, reading_entry(reading, section, "serial-number"),
                        "no quote, backslash, $ or percent sign can be in it");
    for (const char *text = entry ? entry->value : ""; *text;) {
        unsigned vendor, product;
        int length = 0;
        if (sscanf(text, "%4x:%4x%n", &vendor, &product, &length) < 2 || length != 9 ||
            (vendor == 0 && product == 0)) {
            reading_problem(reading, section, entry,
                            "USB vendor and product in four hexadecimal digits each, such as "
                            "1209:0002; several with commas between them");
            return;
        }
        if (count == IDS_MAX) {
            reading_problem(reading, section, entry, "at most %d", IDS_MAX);
            return;
        }
        whole->ids[count++] = (struct board_id){
            .vendor = (uint16_t)vendor, .product = (uint16_t)product, .serial_pattern = pattern};
        text += length;
        text += strspn(text, " ,\t");
    }
    if (count)
        whole->read.file.ids = whole->ids;
}

static void read_options(struct reading *reading, const struct document_section *section,
                         const struct board_driver *driver, struct whole *whole) {
    size_t count = 0;
    while (driver->options && driver->options[count].name)
        count++;
    whole->settings = reading_take(reading, (count + 1) * sizeof *whole->settings);
    if (!whole->settings)
        return;
    whole->read.setting = whole->settings;
    for (size_t i = 0; i < count; i++) {
        const struct board_option *option = &driver->options[i];
        const struct document_entry *entry = reading_entry(reading, section, option->name);
        if (entry && reading_option(reading, section, option, entry))
            whole->settings[whole->read.setting_count++] =
                (struct board_setting){.name = option->name, .value = entry->value};
    }
}

static void read_board(struct reading *reading, const struct document_section *section,
                       struct whole *whole) {
    static const char *const maturities[] = {"tried-on-fakes-only", "tried-on-hardware"};
    static const char *const resets[] = {"never", "last-resort"};
    struct board_file *file = &whole->read.file;
    const struct document_entry *entry =
        reading_required(reading, section, "summary", "one line: what kind of board is this?");
    file->summary = entry ? entry->value : NULL;
    file->driver = read_driver(reading, section);
    read_ids(reading, section, whole);
    entry = reading_entry(reading, section, "maturity");
    if (entry && reading_word(reading, section, entry, maturities, 2) == 1)
        file->maturity = BOARD_TRIED_ON_HARDWARE;
    entry = reading_entry(reading, section, "reset");
    if (entry && reading_word(reading, section, entry, resets, 2) == 1)
        file->reset = BOARD_RESET_LAST_RESORT;
    (void)reading_number(reading, section, "silence", QUANTITY_SECONDS, 0.1, 3600,
                         &file->silence_limit_s);
    (void)reading_number(reading, section, "boot-delay", QUANTITY_SECONDS, 0, 60,
                         &file->boot_delay_s);
    board_file_requests(reading, section, "start", &file->start);
    board_file_requests(reading, section, "stop", &file->stop);
    board_file_requests(reading, section, "ask", &file->ask);
    if (file->driver) {
        read_options(reading, section, file->driver, whole);
        reading_rest(reading, section, board_keys, file->driver->options);
    }
}

/* ---- [usb] ---- */

static uint8_t read_endpoint(struct reading *reading, const struct document_section *section,
                             const char *key, bool in) {
    const struct document_entry *entry = reading_entry(reading, section, key);
    uint8_t byte = 0;
    if (!entry || board_file_hex(reading, section, entry, entry->value, &byte, 1) != 1)
        return 0;
    bool is_in = byte & 0x80;
    if ((byte & 0x70) == 0 && (byte & 0x0F) && is_in == in)
        return byte;
    reading_problem(reading, section, entry,
                    in ? "an endpoint from the board is 0x81 to 0x8f"
                       : "an endpoint to the board is 0x01 to 0x0f");
    return 0;
}

static void read_usb(struct reading *reading, struct board_file *file) {
    const struct document_section *section = reading_only(reading, "usb");
    uint64_t interface = 0, alternate = 0;
    if (!section)
        return;
    (void)reading_whole(reading, section, "interface", 0, 255, &interface);
    (void)reading_whole(reading, section, "alternate", 0, 255, &alternate);
    file->usb.interface = (uint8_t)interface;
    file->usb.alternate = (uint8_t)alternate;
    file->usb.iso = file->driver && strcmp(file->driver->name, "usb-iso") == 0;
    (void)reading_required(reading, section, "endpoint",
                           "the endpoint that the scans come from, such as 0x81");
    file->usb.endpoint = read_endpoint(reading, section, "endpoint", true);
    file->usb.endpoint_out = read_endpoint(reading, section, "endpoint-out", false);
    reading_rest(reading, section, usb_keys, NULL);
}

/* ---- the file as a whole ---- */

static void complain(struct reading *reading, const char *where, const char *text) {
    if (problems_add(reading->problems, 0, where, NULL, "%s", text) < 0)
        reading->out_of_memory = true;
}

/* Each request by a way that the board has. */
static void check_ways(struct reading *reading, const struct board_file *file, const char *where,
                       const struct board_requests *requests) {
    bool usb = file->driver->bus == BOARD_USB;
    for (size_t i = 0; i < requests->count; i++) {
        if (requests->request[i].control && !usb)
            complain(reading, where,
                     "control requests can only be sent to USB boards; a serial "
                     "board is sent bytes");
        else if (!requests->request[i].control && usb && !file->usb.endpoint_out)
            complain(reading, where, "bytes need an endpoint to go to: endpoint-out in [usb]");
        else
            continue;
        return;
    }
}

/* A burst board is asked for each block; nobody else is. Commands as text are its way to speak. */
static void check_asking(struct reading *reading, const struct board_file *file) {
    bool bursts = strcmp(file->driver->name, "usb-tmc") == 0;
    const struct board_requests *all[] = {&file->start, &file->stop, &file->ask};
    size_t texts = 0, controls = 0;
    for (size_t i = 0; i < 3; i++)
        for (size_t k = 0; k < all[i]->count; k++) {
            texts += all[i]->request[k].text;
            controls += all[i]->request[k].control;
        }
    if (bursts && !file->ask.count)
        complain(reading, "[board]",
                 "ask is missing: which command makes the board send a block (such as "
                 "ask = text READ?)?");
    if (!bursts && file->ask.count)
        complain(reading, "[board]", "only usb-tmc asks for blocks: take ask out");
    if (!bursts && texts)
        complain(reading, "[board]", "only usb-tmc is sent text: write it as bytes");
    if (bursts && controls)
        complain(reading, "[board]", "usb-tmc is sent text or bytes, no control requests");
    if (bursts && !file->usb.endpoint_out)
        complain(reading, "[usb]", "endpoint-out is missing: where do commands go?");
}

/* What the driver needs, or has no use for. */
static void check_driver(struct reading *reading, const struct board_file *file) {
    bool usb = file->driver->bus == BOARD_USB;
    bool text = strcmp(file->driver->name, "text-serial") == 0;
    bool own_packets = text || strcmp(file->driver->name, "modbus-rtu") == 0;
    bool packet = reading_count(reading, "packet") > 0;
    if (!own_packets && !packet)
        complain(reading, NULL, "no [packet] section: what does the board send?");
    if (own_packets && packet)
        complain(reading, "[packet]",
                 text ? "text-serial reads lines: columns in [board] says what stands in them; "
                        "take [packet] out"
                      : "modbus-rtu reads registers: first-register, inputs and format in [board] "
                        "say what stands in them; take [packet] out");
    if (usb && reading_count(reading, "usb") == 0)
        complain(reading, NULL, "no [usb] section: which endpoint do the scans come from?");
    if (!usb && reading_count(reading, "usb") > 0)
        complain(reading, "[usb]", "only drivers of USB boards have endpoints: take it out");
    if (own_packets && (file->start.count || file->stop.count))
        complain(reading, "[board]",
                 text ? "text-serial sends nothing: take start and stop out"
                      : "modbus-rtu knows itself what to send: take start and stop out");
    check_asking(reading, file);
    check_ways(reading, file, "[board] start", &file->start);
    check_ways(reading, file, "[board] stop", &file->stop);
}

static void read_parts(struct reading *reading, struct whole *whole) {
    struct board_file *file = &whole->read.file;
    reading_kinds(reading, kinds, sizeof kinds / sizeof kinds[0]);
    const struct document_section *section = reading_only(reading, "board");
    if (section)
        read_board(reading, section, whole);
    else
        complain(reading, NULL, "no [board] section: it says what board this is");
    read_usb(reading, file);
    board_file_packet(reading, file);
    board_file_inputs(reading, file);
    if (file->driver)
        check_driver(reading, file);
}

int board_files_parse(const char *text, size_t length, const char *name,
                      struct board_file_read **read, struct problems *problems) {
    if (length > TEXT_MAX)
        return -EFBIG;
    struct whole *whole = calloc(1, sizeof *whole);
    if (!whole)
        return -ENOMEM;
    struct document document;
    size_t problems_before = problems->count;
    struct reading reading = {.document = &document, .problems = problems, .arena = &whole->arena};
    board_file_init(&whole->read.file);
    whole->read.file.name = arena_text(&whole->arena, name, strlen(name));
    whole->read.path = "";
    int result = whole->read.file.name ? 0 : -ENOMEM;
    if (result == 0)
        result = document_read(text, length, &whole->arena, &document, problems);
    if (result == 0)
        read_parts(&reading, whole);
    if (result == 0 && reading.out_of_memory)
        result = -ENOMEM;
    if (result == 0 && problems->count > problems_before)
        result = -EINVAL;
    if (result == 0)
        *read = &whole->read;
    else
        board_files_free(&whole->read);
    return result;
}

void board_files_free(struct board_file_read *read) {
    if (!read)
        return;
    struct whole *whole = (struct whole *)read;
    arena_clear(&whole->arena);
    free(whole);
}

/* "boards/eight-16.board" is called "eight-16". */
static void name_of(const char *path, char *name, size_t size) {
    const char *slash = strrchr(path, '/');
    snprintf(name, size, "%s", slash ? slash + 1 : path);
    char *dot = strrchr(name, '.');
    if (dot && strcmp(dot, ".board") == 0)
        *dot = '\0';
}

int board_files_load(const char *name, struct board_file_read **read, struct problems *problems,
                     char *path) {
    int result = board_files_find(name, path);
    if (result < 0)
        return result;
    char *text = NULL;
    size_t length = 0;
    char own_name[256];
    name_of(path, own_name, sizeof own_name);
    struct board_file_read *made = NULL;
    result = text_file_read(path, TEXT_MAX, &text, &length);
    if (result == 0)
        result = board_files_parse(text, length, own_name, &made, problems);
    free(text);
    if (result < 0 || !made)
        return result;
    struct whole *whole = (struct whole *)made;
    made->path = arena_text(&whole->arena, path, strlen(path));
    if (!made->path) {
        board_files_free(made);
        return -ENOMEM;
    }
    *read = made;
    return 0;
}
