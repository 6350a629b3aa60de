// SPDX-License-Identifier: Apache-2.0
/*
 * udev_write.c - the udev rules and the hwdb of drivers and board files, as text.
 */
#include "udev_write.h"

#include <ctype.h>
#include <string.h>

bool udev_name_sound(const char *name) {
    size_t length = strlen(name);
    for (size_t i = 0; i < length; i++)
        if (!isalnum((unsigned char)name[i]) && !strchr("-_.", name[i]))
            return false;
    return length > 0 && length <= 48 && name[0] != '.';
}

/* The board's name as a property of the USB device and of what hangs on it. */
static void write_id(const struct udev_board *board, const struct board_id *id, FILE *stream) {
    fprintf(stream, "SUBSYSTEMS==\"usb\", ATTRS{idVendor}==\"%04x\", ATTRS{idProduct}==\"%04x\", ",
            id->vendor, id->product);
    if (id->serial_pattern)
        fprintf(stream, "ATTRS{serial}==\"%s\", ", id->serial_pattern);
    fprintf(stream, "ENV{CRANKTRAP_BOARD}=\"%s\", ENV{CRANKTRAP_BUS}=\"%s\"\n", board->name,
            board->usb ? "usb" : "serial");
}

static void write_head(FILE *stream, const char *what) {
    fprintf(stream,
            "# SPDX-License-Identifier: Apache-2.0\n"
            "# %s of cranktrap's boards. Written by cranktrap-udev from drivers and board files:\n"
            "# change those, not this. docs/board-files.md, \"Rights\".\n",
            what);
}

static const char common_rules[] =
    "ENV{CRANKTRAP_BOARD}!=\"?*\", GOTO=\"cranktrap_end\"\n"
    "\n"
    "# Nobody else probes it.\n"
    "ENV{ID_MM_DEVICE_IGNORE}=\"1\", ENV{ID_MM_PORT_IGNORE}=\"1\"\n"
    "# It is never put to sleep: waking up looks like being unplugged.\n"
    "SUBSYSTEM==\"usb\", ENV{DEVTYPE}==\"usb_device\", TEST==\"power/control\", "
    "ATTR{power/control}=\"on\"\n"
    "# Serial bridges hand short packets on at once.\n"
    "SUBSYSTEM==\"usb-serial\", TEST==\"latency_timer\", ATTR{latency_timer}=\"1\"\n"
    "\n"
    "# The group cranktrap may use it, others may not; a name that stays the same.\n"
    "SUBSYSTEM==\"usb\", ENV{DEVTYPE}==\"usb_device\", ENV{CRANKTRAP_BUS}==\"usb\", "
    "GROUP=\"cranktrap\", MODE=\"0660\", ATTR{serial}==\"?*\", "
    "SYMLINK+=\"cranktrap/$env{CRANKTRAP_BOARD}-$attr{serial}\", GOTO=\"cranktrap_end\"\n"
    "SUBSYSTEM==\"usb\", ENV{DEVTYPE}==\"usb_device\", ENV{CRANKTRAP_BUS}==\"usb\", "
    "GROUP=\"cranktrap\", MODE=\"0660\", SYMLINK+=\"cranktrap/$env{CRANKTRAP_BOARD}-$kernel\"\n"
    "SUBSYSTEM==\"tty\", ENV{CRANKTRAP_BUS}==\"serial\", ENV{ID_SERIAL_SHORT}==\"?*\", "
    "GROUP=\"cranktrap\", MODE=\"0660\", "
    "SYMLINK+=\"cranktrap/$env{CRANKTRAP_BOARD}-$env{ID_SERIAL_SHORT}\", GOTO=\"cranktrap_end\"\n"
    "SUBSYSTEM==\"tty\", ENV{CRANKTRAP_BUS}==\"serial\", "
    "GROUP=\"cranktrap\", MODE=\"0660\", "
    "SYMLINK+=\"cranktrap/$env{CRANKTRAP_BOARD}-$env{ID_PATH}\"\n"
    "\n"
    "LABEL=\"cranktrap_end\"\n";

void udev_write_rules(const struct udev_board *boards, size_t count, FILE *stream) {
    size_t ids = 0;
    write_head(stream, "udev rules");
    fputs("ACTION==\"remove\", GOTO=\"cranktrap_end\"\n\n", stream);
    for (size_t i = 0; i < count; i++) {
        const struct board_id *id = boards[i].ids;
        for (; id && (id->vendor || id->product); id++, ids++)
            write_id(&boards[i], id, stream);
    }
    if (!ids)
        fputs("# No board is known by its ids: ids of serial bridges are in a thousand other\n"
              "# things, and are never claimed by default.\n",
              stream);
    fputc('\n', stream);
    fputs(common_rules, stream);
}

void udev_write_hwdb(const struct udev_board *boards, size_t count, FILE *stream) {
    write_head(stream, "Names");
    for (size_t i = 0; i < count; i++)
        for (const struct board_id *id = boards[i].ids; id && (id->vendor || id->product); id++)
            if (!id->serial_pattern) /* the database knows no serial numbers */
                fprintf(stream,
                        "\nusb:v%04Xp%04X*\n ID_MODEL_FROM_DATABASE=%s\n ID_MM_DEVICE_IGNORE=1\n",
                        id->vendor, id->product, boards[i].summary);
}
