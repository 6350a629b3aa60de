// SPDX-License-Identifier: Apache-2.0
/*
 * import_rows.c - bytes of a CSV file (RFC 4180) to rows of fields.
 *
 * A state a byte, as the grammar has it: a field is bare, or quoted with quotes doubled inside.
 */
#include "import_rows.h"

#include <errno.h>
#include <stdint.h>
#include <stdlib.h>

enum state {
    FIELD_BEGINS, /* after a separator, or at the beginning of a row */
    BARE,
    QUOTED,
    QUOTE_IN_QUOTED, /* the field's end, or the first of a doubled quote */
    REMARK,          /* a line that begins with #: passed over */
};

struct import_rows {
    struct import_rows_sinks sinks;
    enum state state;
    unsigned line;      /* now */
    unsigned row_line;  /* where the row began */
    size_t mark;        /* bytes of a byte order mark seen; at most 3: it is over */
    bool return_seen;   /* a CR, which must be followed by LF */
    const char *broken; /* what is wrong with this row; NULL: nothing so far */
    size_t length;      /* bytes of the row kept */
    size_t field_begin; /* of them, where this field begins */
    struct import_row row;
    char bytes[IMPORT_ROW_BYTES + 1];
};

int import_rows_new(const struct import_rows_sinks *sinks, struct import_rows **rows) {
    struct import_rows *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    made->sinks = *sinks;
    made->line = 1;
    made->row_line = 1;
    *rows = made;
    return 0;
}

void import_rows_free(struct import_rows *rows) {
    free(rows);
}

static void keep(struct import_rows *rows, char byte) {
    if (rows->length < IMPORT_ROW_BYTES)
        rows->bytes[rows->length++] = byte;
    else if (!rows->broken)
        rows->broken = "the row is longer than 65536 bytes: is this a CSV file?";
}

static bool is_blank(char byte) {
    return byte == ' ' || byte == '\t';
}

static void end_field(struct import_rows *rows) {
    size_t begin = rows->field_begin;
    size_t end = rows->length;
    while (begin < end && is_blank(rows->bytes[begin]))
        begin++;
    while (end > begin && is_blank(rows->bytes[end - 1]))
        end--;
    size_t index = rows->row.count++;
    if (index < IMPORT_FIELDS_MAX)
        rows->row.field[index] =
            (struct import_field){.text = rows->bytes + begin, .length = end - begin};
    keep(rows, '\0');
    rows->bytes[end] = '\0';
    rows->field_begin = rows->length;
    rows->state = FIELD_BEGINS;
}

/* The line is over: hands out the row, unless the line was empty. */
static int end_row(struct import_rows *rows) {
    int result = 0;
    bool empty = rows->row.count == 0 && rows->state == FIELD_BEGINS && !rows->broken;
    if (!empty) {
        end_field(rows);
        rows->row.line = rows->row_line;
        result = rows->broken
                     ? rows->sinks.broken(rows->sinks.context, rows->row_line, rows->broken)
                     : rows->sinks.row(rows->sinks.context, &rows->row);
    }
    rows->row.count = 0;
    rows->length = 0;
    rows->field_begin = 0;
    rows->broken = NULL;
    rows->state = FIELD_BEGINS;
    return result;
}

static int take_outside_quotes(struct import_rows *rows, char byte) {
    if (byte == '\n') {
        int result = end_row(rows);
        rows->row_line = rows->line;
        return result;
    }
    if (byte == ',') {
        end_field(rows);
    } else if (byte == '"' && rows->state == FIELD_BEGINS) {
        rows->state = QUOTED;
    } else if (rows->state == QUOTE_IN_QUOTED) {
        if (!is_blank(byte) && !rows->broken)
            rows->broken = "text stands after a closing quote: a quote inside a quoted field is "
                           "written twice";
    } else {
        if (byte == '"' && !rows->broken)
            rows->broken = "a quote stands inside a field without quotes";
        rows->state = is_blank(byte) && rows->state == FIELD_BEGINS ? FIELD_BEGINS : BARE;
        keep(rows, byte);
    }
    return 0;
}

/* True where the byte is of a remark, or begins one. */
static bool take_remark(struct import_rows *rows, char byte) {
    bool begins = rows->state == FIELD_BEGINS && rows->row.count == 0 && rows->length == 0 &&
                  !rows->return_seen && !rows->broken && byte == '#';
    if (!begins && rows->state != REMARK)
        return false;
    rows->state = byte == '\n' ? FIELD_BEGINS : REMARK;
    rows->row_line = rows->line;
    return true;
}

static int take(struct import_rows *rows, char byte) {
    if (byte == '\n' && rows->line < UINT32_MAX)
        rows->line++;
    if (take_remark(rows, byte))
        return 0;
    if (rows->state == QUOTED) {
        if (byte == '"')
            rows->state = QUOTE_IN_QUOTED;
        else
            keep(rows, byte);
        return 0;
    }
    if (rows->state == QUOTE_IN_QUOTED && byte == '"') {
        keep(rows, byte);
        rows->state = QUOTED;
        return 0;
    }
    if (rows->return_seen) {
        rows->return_seen = false;
        if (byte != '\n' && !rows->broken)
            rows->broken = "a carriage return stands alone: lines end with LF or CRLF";
    }
    if (byte == '\r') {
        rows->return_seen = true;
        return 0;
    }
    return take_outside_quotes(rows, byte);
}

int import_rows_push(struct import_rows *rows, const char *bytes, size_t count) {
    static const char mark[3] = {'\xef', '\xbb', '\xbf'};
    for (size_t i = 0; i < count; i++) {
        if (rows->mark < sizeof mark) {
            if (bytes[i] == mark[rows->mark]) {
                rows->mark++;
                continue;
            }
            rows->mark = sizeof mark;
        }
        int result = take(rows, bytes[i]);
        if (result)
            return result;
    }
    return 0;
}

int import_rows_finish(struct import_rows *rows) {
    if (rows->state == QUOTED && !rows->broken)
        rows->broken = "a quoted field has no closing quote";
    if (rows->state == REMARK)
        rows->state = FIELD_BEGINS;
    return end_row(rows);
}
