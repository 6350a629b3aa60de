// SPDX-License-Identifier: Apache-2.0
/*
 * text-serial.c - boards whose program prints one line of numbers a scan (docs/wire.md, "Lines of
 * text"): commas, semicolons, tabs or spaces between them, any line end.
 *
 * Text carries no check sum. What guards it: the number of columns, the converter's range, and,
 * where the board prints a counter or a time, that the next line must confirm what it says.
 */
#include "board.h"
#include "board_file.h"
#include "sentence.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LINE_MAX_BYTES 768 /* of 64 inputs with a counter; longer is no line of ours */
#define COLUMNS_MAX    (BOARD_INPUTS_MAX + 8)
#define LINES_DECIDE   3  /* so many alike tell how many columns there are, where no option does */
#define DIGITS_MAX     18 /* with those that `decimals` adds: fits 64 bits */
#define TIME_DECIMALS  6  /* digits after the point that are read in a time column */
#define TIME_UNIT      1000000
#define LEAP_MAX       (1 << 24) /* scans: further ahead, the counter itself has begun anew */

/* What a column holds: the number of an input, or one of these. */
enum { COLUMN_SKIPPED = -1, COLUMN_COUNTER = -2, COLUMN_TIME = -3 };

enum line_kind { LINE_EMPTY, LINE_REMARK, LINE_NUMBERS, LINE_DAMAGED };

/* A scan whose counter or time is not the one expected waits for the next line to confirm it. */
struct pending {
    bool held;
    int64_t place;
    int32_t counts[BOARD_INPUTS_MAX];
};

struct board {
    struct board_sinks sinks;
    const struct board_file *file; /* NULL: none */
    double rate_hz;
    unsigned decimals;
    unsigned bits;
    int32_t low, high;       /* of a count that can be */
    double time_ticks_per_s; /* of a time column as read */

    size_t columns; /* 0: not known yet */
    size_t inputs;
    int column[COLUMNS_MAX];
    bool placed; /* there is a counter or a time column */
    bool by_time;
    size_t alike; /* lines in a row with the same number of columns, while `columns` is 0 */
    size_t alike_columns;

    bool counting; /* `place` is that of the last scan */
    int64_t place;
    struct pending pending;
    bool damaged; /* since the last scan */

    bool joined; /* a line end has been seen */
    bool overlong;
    size_t used;
    char line[LINE_MAX_BYTES];
    int64_t number[COLUMNS_MAX];
    int32_t counts[BOARD_INPUTS_MAX];
};

static void tell(const struct board *board, enum board_note note) {
    board->sinks.note(board->sinks.context, note, 0);
}

static void lose(const struct board *board, enum board_loss reason, uint64_t scans) {
    if (scans)
        board->sinks.loss(board->sinks.context, reason, scans);
}

static void give(const struct board *board, const int32_t *counts) {
    board->sinks.samples(board->sinks.context, counts, 1);
}

/* ---- numbers out of a line ---- */

static bool is_digit(char c) {
    return c >= '0' && c <= '9';
}

static bool is_blank(char c) {
    return c == ' ' || c == '\t';
}

/*
 * Reads [sign] digits [. digits] at `*text` as a whole number of 10^-decimals; moves `*text`
 * behind it. False where there is none, or it has more digits than fit.
 */
static bool read_number(const char **text, const char *end, unsigned decimals, int64_t *number) {
    const char *at = *text;
    bool negative = at < end && *at == '-';
    if (at < end && (*at == '-' || *at == '+'))
        at++;
    int64_t value = 0;
    unsigned digits = 0;
    unsigned after_point = 0;
    bool point = false;
    for (; at < end && (is_digit(*at) || (*at == '.' && !point)); at++) {
        if (*at == '.') {
            point = true;
            continue;
        }
        if (digits + decimals - after_point == DIGITS_MAX || (point && after_point == decimals))
            return false;
        value = value * 10 + (*at - '0');
        digits++;
        after_point += point;
    }
    if (digits == 0)
        return false;
    for (; after_point < decimals; after_point++)
        value *= 10;
    *number = negative ? -value : value;
    *text = at;
    return true;
}

/* Behind a number: passes over one comma or semicolon, or blanks; false where neither stands. */
static bool pass_separator(const char **text, const char *end) {
    const char *at = *text;
    while (at < end && is_blank(*at))
        at++;
    if (at < end && (*at == ',' || *at == ';'))
        at++;
    else if (at == *text)
        return false;
    while (at < end && is_blank(*at))
        at++;
    *text = at;
    return true;
}

static unsigned column_decimals(const struct board *board, size_t column) {
    if (!board->columns)
        return board->decimals;
    if (board->column[column] == COLUMN_TIME)
        return TIME_DECIMALS;
    return board->column[column] == COLUMN_COUNTER ? 0 : board->decimals;
}

/* A skipped column may hold anything but a separator. */
static bool skip_column(const char **text, const char *end) {
    const char *at = *text;
    while (at < end && !is_blank(*at) && *at != ',' && *at != ';')
        at++;
    bool any = at > *text;
    *text = at;
    return any;
}

/* Fills board->number; the number of columns, or 0 where not all of the line is numbers. */
static size_t read_columns(struct board *board, const char *text, const char *end) {
    size_t columns = 0;
    while (text < end) {
        if (columns == COLUMNS_MAX || (board->columns && columns == board->columns))
            return 0;
        bool skipped = board->columns && board->column[columns] == COLUMN_SKIPPED;
        if (skipped ? !skip_column(&text, end)
                    : !read_number(&text, end, column_decimals(board, columns),
                                   &board->number[columns]))
            return 0;
        columns++;
        if (text < end && !pass_separator(&text, end))
            return 0;
    }
    return columns;
}

/*
 * A heading or a comment: printable text that opens with a comment's sign, or has more letters
 * than digits. Anything else that is not numbers may well have been a scan.
 */
static bool is_remark(const char *text, const char *end) {
    size_t letters = 0;
    size_t digits = 0;
    for (const char *at = text; at < end; at++) {
        if ((*at < 0x20 && *at != '\t') || *at >= 0x7F)
            return false;
        letters += (*at >= 'a' && *at <= 'z') || (*at >= 'A' && *at <= 'Z');
        digits += is_digit(*at);
    }
    return strchr("#/%\"*=", *text) || (letters >= 2 && letters >= digits);
}

static enum line_kind read_line(struct board *board, size_t *columns) {
    const char *text = board->line;
    const char *end = text + board->used;
    while (text < end && is_blank(*text))
        text++;
    while (end > text && is_blank(end[-1]))
        end--;
    if (text == end)
        return LINE_EMPTY;
    *columns = read_columns(board, text, end);
    if (*columns)
        return LINE_NUMBERS;
    return is_remark(text, end) ? LINE_REMARK : LINE_DAMAGED;
}

/* ---- scans out of numbers ---- */

/* Into board->counts, and the counter or time into `*place`; false when out of range. */
static bool sort_columns(struct board *board, int64_t *place) {
    for (size_t i = 0; i < board->columns; i++) {
        int64_t number = board->number[i];
        int column = board->column[i];
        if (column == COLUMN_COUNTER || column == COLUMN_TIME)
            *place = number;
        if (column < 0)
            continue;
        if (number < board->low || number > board->high)
            return false;
        board->counts[column] = (int32_t)number;
    }
    return true;
}

/* A counter of `size` values, signed or not, that ran over its end between `before` and `place`. */
static bool wrapped(int64_t before, int64_t place, int64_t size) {
    int64_t top = place < 0 ? size / 2 : size; /* one more than the highest value */
    return before < top && before >= top - size / 16 && place - before + size < size / 8;
}

/*
 * How many scans `place` is after `before`: at least 1 when it is ahead, 0 when it is the same
 * line again, -1 when it lies behind. Counters of 16 or 32 bits and times of 32 may have wrapped.
 */
static int64_t steps(const struct board *board, int64_t before, int64_t place) {
    int64_t step = place - before;
    int64_t unit = board->by_time ? TIME_UNIT : 1;
    if (step < 0 && !board->by_time && wrapped(before, place, (int64_t)1 << 16))
        step += (int64_t)1 << 16;
    else if (step < 0 && wrapped(before / unit, place / unit, (int64_t)1 << 32))
        step += ((int64_t)1 << 32) * unit;
    if (step < 0)
        return -1;
    if (!board->by_time)
        return step;
    double scans = (double)step / board->time_ticks_per_s * board->rate_hz;
    return scans < 1.5 ? 1 : llround(scans);
}

/* A scan follows the last one after `step` steps; what lies between is lost. */
static void give_after(struct board *board, int64_t step, const int32_t *counts, int64_t place) {
    if (step < 0 || step > LEAP_MAX)
        lose(board, BOARD_LOSS_RESTARTED, BOARD_LOSS_UNKNOWN);
    else if (step > 1)
        lose(board, board->damaged ? BOARD_LOSS_DAMAGED : BOARD_LOSS_PACKET, (uint64_t)step - 1);
    give(board, counts);
    board->place = place;
    board->damaged = false;
}

static void hold(struct board *board, int64_t place) {
    board->pending.held = true;
    board->pending.place = place;
    memcpy(board->pending.counts, board->counts, sizeof board->counts);
}

/* A sound line while none waits. */
static enum board_result place_scan(struct board *board, int64_t place) {
    int64_t step = board->counting ? steps(board, board->place, place) : 1;
    if (step == 0) /* the same line once more */
        return BOARD_RESYNC;
    if (step != 1) {
        hold(board, place);
        return BOARD_NEED_MORE;
    }
    board->counting = true;
    give_after(board, 1, board->counts, place);
    return BOARD_OK;
}

/* A sound line after one that waits to be confirmed: whose counter is wrong? */
static enum board_result confirm(struct board *board, int64_t place) {
    struct pending *pending = &board->pending;
    int64_t step = steps(board, board->place, place);
    int64_t onward = steps(board, pending->place, place);
    int64_t waited = steps(board, board->place, pending->place);
    if (step == 1 || step == 2) { /* in step with the last scan: the one that waited is wrong */
        pending->held = false;
        board->damaged = true;
        give_after(board, step, board->counts, place);
        return BOARD_INSANE_VALUE;
    }
    if (step == 0 || onward == 0) /* the same line once more */
        return BOARD_RESYNC;
    if (onward > 0 && (waited > 0 || step < 0)) { /* both tell of the same leap */
        pending->held = false;
        give_after(board, waited, pending->counts, pending->place);
        return place_scan(board, place);
    }
    board->damaged = true;
    hold(board, place);
    return BOARD_INSANE_VALUE;
}

/* The number of columns is not told by an option: lines that are alike tell it. */
static enum board_result learn_columns(struct board *board, size_t columns) {
    board->alike = columns == board->alike_columns ? board->alike + 1 : 1;
    board->alike_columns = columns;
    if (columns > BOARD_INPUTS_MAX)
        return BOARD_INSANE_VALUE;
    if (board->alike < LINES_DECIDE) {
        tell(board, BOARD_NOTE_ALIVE);
        return BOARD_NEED_MORE;
    }
    board->columns = columns;
    board->inputs = columns;
    for (size_t i = 0; i < columns; i++)
        board->column[i] = (int)i;
    tell(board, BOARD_NOTE_DESCRIBED);
    return BOARD_OK;
}

/* A line that should have been a scan was none. */
static enum board_result lose_line(struct board *board, enum board_result result) {
    board->alike = 0;
    if (board->placed)
        board->damaged = true; /* the next counter or time tells how many */
    else if (board->counting)
        lose(board, BOARD_LOSS_DAMAGED, 1);
    return result;
}

static enum board_result take_numbers(struct board *board, size_t columns) {
    if (!board->columns)
        return learn_columns(board, columns);
    int64_t place = 0;
    if (columns != board->columns || !sort_columns(board, &place))
        return lose_line(board, BOARD_INSANE_VALUE);
    if (board->placed)
        return board->pending.held ? confirm(board, place) : place_scan(board, place);
    board->counting = true;
    give(board, board->counts);
    return BOARD_OK;
}

static enum board_result take_line(struct board *board) {
    size_t columns = 0;
    switch (read_line(board, &columns)) {
    case LINE_EMPTY:
        return BOARD_NEED_MORE;
    case LINE_REMARK:
        return BOARD_RESYNC;
    case LINE_NUMBERS:
        return take_numbers(board, columns);
    case LINE_DAMAGED:
        break;
    }
    return lose_line(board, BOARD_INSANE_VALUE);
}

/* ---- lines out of bytes ---- */

static enum board_result end_line(struct board *board) {
    enum board_result result = BOARD_NEED_MORE;
    if (!board->joined) {
        /* Joined somewhere within this line: what is left of it may look whole, but is not. */
        result = board->used || board->overlong ? BOARD_RESYNC : BOARD_NEED_MORE;
    } else if (board->overlong) {
        result = lose_line(board, BOARD_BAD_LENGTH);
    } else if (board->used) {
        result = take_line(board);
    }
    board->joined = true;
    board->overlong = false;
    board->used = 0;
    return result;
}

static enum board_result text_consume(struct board *board, const uint8_t *bytes, size_t count) {
    enum board_result result = BOARD_NEED_MORE;
    for (size_t i = 0; i < count; i++) {
        if (bytes[i] == '\n' || bytes[i] == '\r') {
            result = board_result_worse(result, end_line(board));
        } else if (board->used < sizeof board->line) {
            board->line[board->used++] = (char)bytes[i];
        } else {
            board->used = 0; /* told each time so much came without a line end */
            board->overlong = true;
            result = board_result_worse(result, BOARD_BAD_LENGTH);
        }
    }
    return result;
}

/* ---- the rest of the driver ---- */

static const struct board_option options[] = {
    {.name = "baud",
     .type = BOARD_OPTION_WHOLE,
     .standard = "115200",
     .lowest = 300,
     .highest = 12000000,
     .help = "bits a second of the serial line, as in the board's program"},
    {.name = "rate",
     .type = BOARD_OPTION_NUMBER,
     .required = true,
     .lowest = 0.01,
     .highest = 100000,
     .help = "lines a second; where you do not know it, count the lines of ten seconds"},
    {.name = "columns",
     .type = BOARD_OPTION_TEXT,
     .help = "what stands in each column: input numbers, counter, time, or - for nothing of use, "
             "such as counter,0,1,2; without it every column is an input"},
    {.name = "decimals",
     .type = BOARD_OPTION_WHOLE,
     .standard = "0",
     .lowest = 0,
     .highest = 6,
     .help = "digits behind the point; a board that prints any is taken to print volts"},
    {.name = "bits",
     .type = BOARD_OPTION_WHOLE,
     .standard = "10",
     .lowest = 8,
     .highest = 31,
     .help = "bits of the board's converter: numbers beyond them are damage; with decimals unused"},
    {.name = "signed",
     .type = BOARD_OPTION_WORD,
     .standard = "no",
     .words = "no|yes",
     .help = "yes where the converter's counts may be negative"},
    {.name = "time-unit",
     .type = BOARD_OPTION_WORD,
     .standard = "ms",
     .words = "s|ms|us",
     .help = "of the time column"},
    {0},
};

const struct board_driver board_driver_text_serial;

/* Writes why opening fails; the error, for return. */
/* One word of the option `columns`. */
static bool read_column_word(struct board *board, const char *word, size_t length) {
    int *column = &board->column[board->columns];
    if (length == 1 && *word == '-') {
        *column = COLUMN_SKIPPED;
    } else if ((length == 7 && memcmp(word, "counter", length) == 0) ||
               (length == 4 && memcmp(word, "time", length) == 0)) {
        if (board->placed)
            return false;
        board->placed = true;
        board->by_time = length == 4;
        *column = board->by_time ? COLUMN_TIME : COLUMN_COUNTER;
    } else {
        int input = 0;
        if (length < 1 || length > 2)
            return false;
        for (size_t i = 0; i < length; i++) {
            if (!is_digit(word[i]))
                return false;
            input = input * 10 + (word[i] - '0');
        }
        if (input >= BOARD_INPUTS_MAX)
            return false;
        *column = input;
        board->inputs++;
    }
    board->columns++;
    return true;
}

/* Inputs are 0, 1, 2 ... without a hole or a double. */
static bool inputs_are_whole(const struct board *board) {
    for (size_t input = 0; input < board->inputs; input++) {
        size_t times = 0;
        for (size_t i = 0; i < board->columns; i++)
            times += board->column[i] == (int)input;
        if (times != 1)
            return false;
    }
    return board->inputs > 0;
}

static int read_columns_option(struct board *board, const char *text, char *why, size_t why_size) {
    while (text && *text) {
        text += strspn(text, " ,");
        size_t length = strcspn(text, " ,");
        if (!length)
            break;
        if (board->columns == COLUMNS_MAX)
            return sentence(why, why_size, "columns: more than %d", COLUMNS_MAX);
        if (!read_column_word(board, text, length))
            return sentence(why, why_size,
                            "columns: '%.*s' is neither an input number (0 to %d), nor -, nor the "
                            "only counter or time",
                            (int)(length > 40 ? 40 : length), text, BOARD_INPUTS_MAX - 1);
        text += length;
    }
    if (board->columns && !inputs_are_whole(board))
        return sentence(why, why_size, "columns: each input from 0 up must stand there once");
    return 0;
}

static void set_range(struct board *board, bool is_signed) {
    int64_t values = (int64_t)1 << board->bits;
    if (board->decimals) {
        board->bits = 32;
        board->low = INT32_MIN;
        board->high = INT32_MAX;
    } else {
        board->low = (int32_t)(is_signed ? -values / 2 : 0);
        board->high = (int32_t)(is_signed ? values / 2 - 1 : values - 1);
    }
}

static int read_settings(struct board *board, const struct board_settings *settings, char *why,
                         size_t why_size) {
    const struct board_driver *driver = &board_driver_text_serial;
    board->rate_hz = board_setting_number(driver, settings, "rate", 0);
    if (!(board->rate_hz > 0))
        return sentence(why, why_size, "rate: lines a second, needed for a board of text lines");
    board->decimals = (unsigned)board_setting_number(driver, settings, "decimals", 0);
    board->bits = (unsigned)board_setting_number(driver, settings, "bits", 10);
    if (board->decimals > 6 || board->bits < 8 || board->bits > 31)
        return sentence(why, why_size, "decimals: 0 to 6; bits: 8 to 31");
    set_range(board, strcmp(board_setting_text(driver, settings, "signed"), "yes") == 0);
    const char *unit = board_setting_text(driver, settings, "time-unit");
    double units_per_s = strcmp(unit, "us") == 0 ? 1e6 : strcmp(unit, "ms") == 0 ? 1e3 : 1;
    board->time_ticks_per_s = units_per_s * TIME_UNIT;
    return read_columns_option(board, board_setting_text(driver, settings, "columns"), why,
                               why_size);
}

static int text_open(const struct board_settings *settings, const struct board_sinks *sinks,
                     struct board **board, char *why, size_t why_size) {
    struct board *made = calloc(1, sizeof *made);
    if (!made) {
        sentence(why, why_size, "not enough memory");
        return -ENOMEM;
    }
    made->sinks = *sinks;
    made->file = settings ? settings->file : NULL;
    int result = read_settings(made, settings, why, why_size);
    if (result < 0)
        free(made);
    else
        *board = made;
    return result;
}

static int text_describe(const struct board *board, struct board_description *description) {
    if (!board->columns)
        return -EAGAIN;
    memset(description, 0, sizeof *description);
    description->inputs = board->inputs;
    for (size_t i = 0; i < board->inputs; i++) {
        description->bits[i] = board->bits;
        description->rail_low[i] = board->decimals ? 1 : board->low;
        description->rail_high[i] = board->decimals ? 0 : board->high;
        description->volts_per_count[i] =
            board->decimals ? pow(10, -(double)board->decimals) : (double)NAN;
    }
    description->rate_hz = board->rate_hz;
    description->skew_s = (double)NAN;
    board_file_describe(board->file, description);
    return 0;
}

static int text_start(struct board *board, struct board_bytes *request) {
    board->counting = false;
    board->damaged = false;
    board->pending.held = false;
    board->alike = 0;
    board->joined = false;
    board->overlong = false;
    board->used = 0;
    request->count = 0; /* it prints by itself */
    return 0;
}

static void text_close(struct board *board) {
    free(board);
}

const struct board_driver board_driver_text_serial = {
    .interface = BOARD_INTERFACE,
    .name = "text-serial",
    .summary = "a board whose program prints one line of numbers a scan",
    .shape = BOARD_STREAM,
    .bus = BOARD_SERIAL,
    .maturity = BOARD_TRIED_ON_FAKES_ONLY,
    .options = options,
    .silence_limit_s = 5, /* longer than a boot loader waits before the program begins */
    .keep_modem_lines = true,
    .open = text_open,
    .describe = text_describe,
    .start = text_start,
    .consume = text_consume,
    .close = text_close,
};
