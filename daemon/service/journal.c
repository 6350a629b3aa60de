// SPDX-License-Identifier: Apache-2.0
/*
 * journal.c - a line with its fields to the journal, or without them to stderr.
 */
#include "journal.h"

#include <inttypes.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/uio.h>
#include <unistd.h>

/* Where in this source a line was written tells a reader of the journal nothing. */
#define SD_JOURNAL_SUPPRESS_LOCATION
#include <systemd/sd-journal.h>

#define FIELD_BYTES 128
#define TEXT_BYTES  2048

/* The manager says in $JOURNAL_STREAM which file it gave us as stderr: is it still that one? */
static bool stderr_is_journal(void) {
    const char *stream = getenv("JOURNAL_STREAM");
    uintmax_t device, inode;
    struct stat status;
    return stream && sscanf(stream, "%" SCNuMAX ":%" SCNuMAX, &device, &inode) == 2 &&
           fstat(STDERR_FILENO, &status) == 0 && status.st_dev == device && status.st_ino == inode;
}

struct fields {
    size_t count;
    struct iovec vector[6];
    char bytes[5][FIELD_BYTES];
};

static void add(struct fields *fields, const char *name, const char *value) {
    char *bytes = fields->bytes[fields->count];
    snprintf(bytes, FIELD_BYTES, "%s=%s", name, value);
    fields->vector[fields->count++] = (struct iovec){bytes, strlen(bytes)};
}

static int to_journal(const struct journal_line *line) {
    struct fields fields = {0};
    char number[16], message[TEXT_BYTES];
    snprintf(number, sizeof number, "%d", (int)line->priority);
    add(&fields, "PRIORITY", number);
    add(&fields, "SYSLOG_IDENTIFIER", "cranktrapd");
    if (line->board)
        add(&fields, "CRANKTRAP_BOARD", line->board);
    if (line->trigger)
        add(&fields, "CRANKTRAP_TRIGGER", line->trigger);
    snprintf(number, sizeof number, "%u", line->snapshot);
    if (line->snapshot)
        add(&fields, "CRANKTRAP_SNAPSHOT", number);
    snprintf(message, sizeof message, "MESSAGE=%s", line->text);
    fields.vector[fields.count++] = (struct iovec){message, strlen(message)};
    return sd_journal_sendv(fields.vector, (int)fields.count);
}

void journal_write(const struct journal_line *line) {
    if (!stderr_is_journal() || to_journal(line) < 0)
        fprintf(stderr, "cranktrapd: %s\n", line->text); /* one call: lines stay whole */
}
