// SPDX-License-Identifier: Apache-2.0
/*
 * export_csv.c - a board's channels as CSV (RFC 4180): lines with # that explain, a header, a row a
 * scan. `import` reads it back.
 */
#include "board_limits.h"
#include "export_format.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define TIME_DIGITS_MOST  9 /* the record's axis has nanoseconds */
#define VALUE_DIGITS_MOST 12
#define LEAST_PARTS       10   /* a value's last digit is at most this part of a count's step */
#define TIME_PARTS        1000 /* a time's last digit is at most this part of a period */
#define IMPORT_MOST       2147483647.0 /* digits without their point that `import` takes */

struct csv {
    const struct export_table *table;
    FILE *stream;
    unsigned time_digits;
    double time_power;                 /* 10^time_digits */
    unsigned digits[BOARD_INPUTS_MAX]; /* behind the point, of each column */
    double power[BOARD_INPUTS_MAX];    /* 10^digits */
};

/* ---- how many digits ---- */

static double power_of_ten(unsigned digits) {
    double power = 1;
    for (unsigned i = 0; i < digits; i++)
        power *= 10;
    return power;
}

/* The smallest change of the value from a count to the next. */
static double least_step(const struct scale *scale) {
    double least = (double)INFINITY;
    for (size_t i = 0; i + 1 < scale->points; i++) {
        double slope = fabs((scale->values[i + 1] - scale->values[i]) /
                            (scale->counts[i + 1] - scale->counts[i]));
        if (slope > 0 && slope < least)
            least = slope;
    }
    return least;
}

/* Is value x 10^digits a whole number for every count of a straight line? */
static bool is_exact(const struct scale *scale, double power) {
    if (scale->points != 2)
        return false;
    double step = (scale->values[1] - scale->values[0]) / (scale->counts[1] - scale->counts[0]);
    double zero = scale->values[0] - step * scale->counts[0];
    return fabs(step * power - round(step * power)) < 1e-6 &&
           fabs(zero * power - round(zero * power)) < 1e-6;
}

/* The farthest from 0 that the column can be, as far as the board has told. */
static double largest_value(const struct vehicle_channel *channel, unsigned bits) {
    double low = -ldexp(1, (int)bits - 1), high = -low;
    if (channel->rail_low <= channel->rail_high) {
        low = channel->rail_low;
        high = channel->rail_high;
    }
    return fmax(fabs(scale_value(&channel->scale, low)), fabs(scale_value(&channel->scale, high)));
}

/* So many that the value is exact where it can be, and always leads back to its count. */
static unsigned value_digits(const struct vehicle_channel *channel, unsigned bits) {
    double step = least_step(&channel->scale);
    double largest = largest_value(channel, bits);
    unsigned enough = 0;
    while (enough < VALUE_DIGITS_MOST && LEAST_PARTS > step * power_of_ten(enough))
        enough++;
    for (unsigned digits = 0; digits <= VALUE_DIGITS_MOST; digits++) {
        double power = power_of_ten(digits);
        if (step * power > 0.5 && is_exact(&channel->scale, power) &&
            (digits <= enough || largest * power <= IMPORT_MOST))
            return digits;
    }
    return enough;
}

static unsigned time_digits(const struct export_table *table) {
    double rate = table->board->rate_hz > 0 ? table->board->rate_hz : 1e6;
    unsigned digits = 3;
    while (digits < TIME_DIGITS_MOST && power_of_ten(digits) < rate * TIME_PARTS)
        digits++;
    return digits;
}

/* ---- before the rows ---- */

/* A text of the hookup's: no quote that a spreadsheet would take for the beginning of a field. */
static void put_text(FILE *head, const char *text) {
    for (; *text; text++)
        fputc(*text == '"' ? '\'' : (unsigned char)*text < ' ' ? ' ' : *text, head);
}

static void put_line(FILE *head, const char *key, const char *text) {
    if (!text || !*text)
        return;
    fprintf(head, "# %s: ", key);
    put_text(head, text);
    fputc('\n', head);
}

static void put_board(FILE *head, const struct export_table *table) {
    const struct head_stream *board = table->board;
    fprintf(head, "# board: %s, driver %s", board->name, board->driver);
    if (board->described && board->description.identity[0]) {
        fputs(", ", head);
        put_text(head, board->description.identity);
    }
    fputc('\n', head);
    if (board->rate_hz > 0)
        fprintf(head,
                "# rate: %.12g scans/s claimed; the rows' times are by the recorder's clock\n",
                board->rate_hz);
}

/* What second 0 was by the calendar and by the recorder's own time. */
static void put_zero(FILE *head, const struct export_table *table) {
    int64_t wall_ns = playback_wall_ns(table->playback);
    time_t seconds = (time_t)(wall_ns / 1000000000);
    char date[64] = "date unknown";
    struct tm broken;
    if (wall_ns > 0 && gmtime_r(&seconds, &broken)) {
        size_t length = strftime(date, sizeof date, "%Y-%m-%dT%H:%M:%S", &broken);
        snprintf(date + length, sizeof date - length, ".%09dZ", (int)(wall_ns % 1000000000));
    }
    fprintf(head, "# second 0: %s, %.9f s after the recorder's start\n", date,
            (double)playback_elapsed_ns(table->playback) * 1e-9);
    fprintf(head, "# stretch: %.9g to %.9g s\n", table->record->from_s, table->record->to_s);
}

static void put_scale(FILE *head, const struct vehicle_channel *channel) {
    const struct scale *scale = &channel->scale;
    if (scale->points == 2) {
        double step = (scale->values[1] - scale->values[0]) / (scale->counts[1] - scale->counts[0]);
        fprintf(head, "value = count x %.12g %c %.12g", step,
                scale->values[0] - step * scale->counts[0] < 0 ? '-' : '+',
                fabs(scale->values[0] - step * scale->counts[0]));
        return;
    }
    fputs("value through COUNT:VALUE", head);
    for (size_t i = 0; i < scale->points; i++)
        fprintf(head, " %.12g:%.12g", scale->counts[i], scale->values[i]);
}

static void put_channel(FILE *head, const struct vehicle_channel *channel) {
    fprintf(head, "# channel %s: role %s, unit ", channel->name, role_name(channel->role));
    put_text(head, channel->unit);
    fprintf(head, ", input %zu, ", channel->input);
    put_scale(head, channel);
    if (channel->rail_low <= channel->rail_high)
        fprintf(head, ", counts %" PRId32 " and %" PRId32 " are the input's rails: at or beyond",
                channel->rail_low, channel->rail_high);
    fputc('\n', head);
}

static void put_losses_known(FILE *head, const struct export_table *table) {
    const struct record_loss *losses;
    size_t count = table->record->losses(table->record->context, &losses);
    size_t own = 0;
    for (size_t i = 0; i < count; i++)
        own += losses[i].stream == table->stream && !report_is_pause(&losses[i]);
    if (own)
        fprintf(head, "# losses: %zu; their rows are absent; listed behind the last row\n", own);
    else
        fputs("# losses: none\n", head);
    struct report_pauses pauses;
    report_pauses(losses, count, table->stream, &pauses);
    if (pauses.count)
        fprintf(head,
                "# pauses between the board's bursts: %zu, %.9g s in all; by design, no losses; "
                "listed behind the last row\n",
                pauses.count, pauses.seconds);
}

static void put_head(FILE *head, const struct export_table *table) {
    put_line(head, "vehicle", table->record->vehicle->name);
    put_line(head, "complaint", table->record->vehicle->complaint);
    put_line(head, "recorded by", playback_head(table->playback)->software);
    put_board(head, table);
    put_zero(head, table);
    fprintf(head, "# values: %s\n",
            table->counts ? "counts of the board's inputs" : "in the channels' units");
    for (size_t i = 0; i < table->columns; i++)
        put_channel(head, table->column[i]);
    put_losses_known(head, table);
}

static size_t count_lines(const char *text) {
    size_t lines = 0;
    for (; *text; text++)
        lines += *text == '\n';
    return lines;
}

/* The first line tells how many there are: what a reader must pass over. */
static int write_head(struct csv *csv) {
    const struct export_table *table = csv->table;
    char *text = NULL;
    size_t length = 0;
    FILE *head = open_memstream(&text, &length);
    if (!head)
        return -ENOMEM;
    put_head(head, table);
    bool failed = ferror(head);
    failed = fclose(head) != 0 || failed;
    if (!failed) {
        fprintf(csv->stream,
                "# cranktrap: %zu lines stand before the rows, the header among them\n",
                count_lines(text) + 2);
        fputs(text, csv->stream);
        fputs("time_s", csv->stream);
        for (size_t i = 0; i < table->columns; i++)
            fprintf(csv->stream, ",%s", table->column[i]->name);
        fputc('\n', csv->stream);
    }
    free(text);
    if (failed)
        return -ENOMEM;
    return fflush(csv->stream) != 0 ? -errno : 0;
}

/* ---- the rows ---- */

/* Writes number / 10^digits; returns the end. Room for NUMBER_BYTES. */
#define NUMBER_BYTES 24
static char *put_decimal(char *to, int64_t number, unsigned digits) {
    char reversed[NUMBER_BYTES];
    size_t length = 0;
    unsigned put = 0;
    uint64_t rest = number < 0 ? -(uint64_t)number : (uint64_t)number;
    do {
        if (digits && put == digits)
            reversed[length++] = '.';
        reversed[length++] = (char)('0' + rest % 10);
        rest /= 10;
        put++;
    } while (rest || put <= digits);
    if (number < 0)
        *to++ = '-';
    while (length > 0)
        *to++ = reversed[--length];
    return to;
}

static char *put_value(const struct csv *csv, char *to, size_t column, int32_t count) {
    if (csv->table->counts)
        return put_decimal(to, count, 0);
    double value = scale_value(&csv->table->column[column]->scale, count);
    return put_decimal(to, llround(value * csv->power[column]), csv->digits[column]);
}

static int csv_run(void *writer, const struct record_run *run) {
    struct csv *csv = writer;
    const struct export_table *table = csv->table;
    char row[(BOARD_INPUTS_MAX + 1) * (NUMBER_BYTES + 1) + 1];
    for (size_t scan = 0; scan < run->scans; scan++) {
        double time_s = run->time_s + (double)scan * run->period_s;
        char *to = put_decimal(row, llround(time_s * csv->time_power), csv->time_digits);
        for (size_t i = 0; i < table->columns; i++) {
            *to++ = ',';
            to = put_value(csv, to, i, run->counts[table->column[i]->input][scan]);
        }
        *to++ = '\n';
        if (fwrite(row, (size_t)(to - row), 1, csv->stream) != 1)
            return -errno;
    }
    return 0;
}

/* ---- behind the rows ---- */

/* Here, not in the head: a block that cannot be decoded is noticed only when it is read. */
static void put_losses(const struct csv *csv) {
    const struct record *record = csv->table->record;
    const struct record_loss *losses;
    size_t count = record->losses(record->context, &losses);
    for (size_t i = 0; i < count; i++) {
        if (losses[i].stream != csv->table->stream)
            continue;
        fprintf(csv->stream, "# %s: %.9f to %.9f s, ",
                report_is_pause(&losses[i]) ? "pause" : "loss", losses[i].from_s, losses[i].to_s);
        if (losses[i].scans == RECORD_LOSS_UNKNOWN)
            fputs("rows unknown, ", csv->stream);
        else
            fprintf(csv->stream, "%" PRIu64 " rows, ", losses[i].scans);
        put_text(csv->stream, losses[i].reason);
        fputc('\n', csv->stream);
    }
}

static int csv_finish(void *writer) {
    struct csv *csv = writer;
    put_losses(csv);
    int result = fflush(csv->stream) != 0 || fsync(fileno(csv->stream)) < 0 ? -errno : 0;
    if (result == 0 && ferror(csv->stream))
        result = -EIO;
    if (fclose(csv->stream) != 0 && result == 0)
        result = -errno;
    csv->stream = NULL;
    return result;
}

static void csv_free(void *writer) {
    struct csv *csv = writer;
    if (csv && csv->stream)
        (void)fclose(csv->stream);
    free(csv);
}

static int csv_begin(const struct export_table *table, const char *path, const char *companion,
                     void **writer) {
    (void)companion;
    struct csv *csv = calloc(1, sizeof *csv);
    if (!csv)
        return -ENOMEM;
    csv->table = table;
    csv->time_digits = time_digits(table);
    csv->time_power = power_of_ten(csv->time_digits);
    for (size_t i = 0; i < table->columns; i++) {
        csv->digits[i] = value_digits(table->column[i], table->bits[i]);
        csv->power[i] = power_of_ten(csv->digits[i]);
    }
    csv->stream = fopen(path, "wxe");
    int result = csv->stream ? write_head(csv) : -errno;
    if (result < 0) {
        csv_free(csv);
        return result;
    }
    *writer = csv;
    return 0;
}

const struct export_format export_csv = {
    .extension = ".csv",
    .begin = csv_begin,
    .run = csv_run,
    .finish = csv_finish,
    .free = csv_free,
};
