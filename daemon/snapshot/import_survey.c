// SPDX-License-Identifier: Apache-2.0
/*
 * import_survey.c - the first pass over a CSV file: everything is checked, nothing is kept.
 */
#include "import_survey.h"

#include "import_decimal.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

/* +-: playback's axis of nanoseconds holds it (2^61), and dates up to 2042. */
#define TIME_MOST_S 2.3e9

void import_survey_begin(struct import_survey *survey, const struct hookup *hookup,
                         struct problems *problems) {
    *survey = (struct import_survey){.hookup = hookup, .problems = problems};
}

/* Adds a problem, or only counts it. `where` is a column's name or NULL. */
static void complain(struct import_survey *survey, unsigned line, const char *where,
                     const char *read, const char *format, ...)
    __attribute__((format(printf, 5, 6)));

static void complain(struct import_survey *survey, unsigned line, const char *where,
                     const char *read, const char *format, ...) {
    if (++survey->complaints > IMPORT_PROBLEMS_MAX)
        return;
    char *text = NULL;
    char *column = NULL;
    va_list arguments;
    va_start(arguments, format);
    if (vasprintf(&text, format, arguments) < 0)
        text = NULL;
    va_end(arguments);
    if (where && asprintf(&column, "column %s", where) < 0)
        column = NULL;
    if (!text || (where && !column) ||
        problems_add(survey->problems, line, column, read, "%s", text) < 0)
        survey->out_of_memory = true;
    free(column);
    free(text);
}

/* ---- the header ---- */

static const char *column_name(const struct import_survey *survey, size_t column) {
    return survey->hookup->vehicle.channels[survey->columns[column].channel].name;
}

static void list_channels(const struct import_survey *survey, char *text, size_t size) {
    const struct vehicle *vehicle = &survey->hookup->vehicle;
    size_t length = 0;
    text[0] = '\0';
    for (size_t i = 0; i < vehicle->channel_count && length < size; i++)
        length += (size_t)snprintf(text + length, size - length, "%s%s", i ? ", " : "",
                                   vehicle->channels[i].name);
}

static void read_column(struct import_survey *survey, const struct import_row *row, size_t index) {
    const char *name = row->field[index].text;
    size_t channel = vehicle_channel_by_name(&survey->hookup->vehicle, name);
    if (channel == CHANNEL_NONE) {
        char names[1024];
        list_channels(survey, names, sizeof names);
        complain(survey, row->line, NULL, name,
                 "no channel of the hookup has this name. Its channels: %s", names);
        return;
    }
    for (size_t i = 0; i < survey->column_count; i++)
        if (survey->columns[i].channel == channel) {
            complain(survey, row->line, NULL, name, "this column stands in the header twice");
            return;
        }
    survey->columns[survey->column_count++] = (struct import_column){.channel = channel};
}

static void check_all_channels(struct import_survey *survey, const struct import_row *row) {
    const struct vehicle *vehicle = &survey->hookup->vehicle;
    for (size_t channel = 0; channel < vehicle->channel_count; channel++) {
        bool found = false;
        for (size_t i = 0; i < survey->column_count; i++)
            found = found || survey->columns[i].channel == channel;
        if (!found)
            complain(survey, row->line, NULL, NULL,
                     "channel \"%s\" of the hookup has no column: add it, or take the channel out "
                     "of the hookup if it was not recorded",
                     vehicle->channels[channel].name);
    }
}

static int read_header(struct import_survey *survey, const struct import_row *row) {
    survey->has_header = true;
    const char *first = row->field[0].text;
    if (row->count == 1 && strpbrk(first, ";\t"))
        complain(survey, row->line, NULL, first,
                 "fields are separated by %s here: commas must stand between fields, and points in "
                 "decimals",
                 strchr(first, ';') ? "semicolons" : "tabs");
    else if (strcmp(first, "time_s") != 0)
        complain(survey, row->line, NULL, first,
                 "the first line is the header, and its first column the time in seconds: "
                 "time_s,CHANNEL,...");
    else if (row->count > BOARD_INPUTS_MAX + 1)
        complain(survey, row->line, NULL, NULL, "%zu columns: at most %d channels fit one file",
                 row->count, BOARD_INPUTS_MAX);
    if (survey->complaints)
        return -EINVAL;
    for (size_t i = 1; i < row->count; i++)
        read_column(survey, row, i);
    check_all_channels(survey, row);
    if (survey->out_of_memory)
        return -ENOMEM;
    return survey->complaints ? -EINVAL : 0;
}

/* ---- values ---- */

/* What is wrong with a field that is no number. */
static const char *why_no_number(const struct import_field *field) {
    if (field->length == 0)
        return "is empty: where a value is missing leave the whole row out, missing rows are "
               "counted";
    if (memchr(field->text, ',', field->length))
        return "decimals are written with a point, not a comma";
    if (strcasestr(field->text, "nan") || strcasestr(field->text, "inf"))
        return "is no value: leave the whole row out, missing rows are counted";
    return "is no number";
}

static bool read_decimal(struct import_survey *survey, const struct import_row *row, size_t index,
                         const char *name, struct import_decimal *decimal) {
    const struct import_field *field = &row->field[index];
    int result = import_decimal_read(field->text, field->length, decimal);
    if (result == -EINVAL)
        complain(survey, row->line, name, field->text, "%s", why_no_number(field));
    else if (result < 0)
        complain(survey, row->line, name, field->text, "is too large or too small for a number");
    return result == 0;
}

static int64_t times_ten_to(int64_t value, int power) {
    for (; power > 0; power--) {
        if (value > IMPORT_DECIMAL_MOST / 10)
            return IMPORT_DECIMAL_MOST;
        if (value < -IMPORT_DECIMAL_MOST / 10)
            return -IMPORT_DECIMAL_MOST;
        if (value == 0)
            return 0;
        value *= 10;
    }
    return value;
}

/* Makes the column wide enough for the value; what cannot fit 32 bits stays at a bound. */
static void widen(struct import_column *column, const struct import_decimal *decimal,
                  unsigned line) {
    int decimals = decimal->exponent < 0 ? -decimal->exponent : 0;
    if (decimals > column->decimals) {
        int more = decimals - column->decimals;
        column->lowest = times_ten_to(column->lowest, more);
        column->highest = times_ten_to(column->highest, more);
        column->decimals = decimals;
        column->decimals_line = line;
    }
    int64_t counts = decimal->mantissa < 0 ? -IMPORT_DECIMAL_MOST : IMPORT_DECIMAL_MOST;
    (void)import_decimal_whole(decimal, column->decimals, &counts);
    if (counts > column->highest || counts < column->lowest) {
        int64_t size = counts < 0 ? -counts : counts;
        if (size > column->highest && size > -column->lowest)
            column->largest_line = line;
        column->highest = counts > column->highest ? counts : column->highest;
        column->lowest = counts < column->lowest ? counts : column->lowest;
    }
}

static void read_value(struct import_survey *survey, const struct import_row *row, size_t column) {
    struct import_decimal decimal;
    const char *name = column_name(survey, column);
    if (!read_decimal(survey, row, column + 1, name, &decimal))
        return;
    if (decimal.rounded)
        complain(survey, row->line, name, row->field[column + 1].text,
                 "has more digits than can be kept exactly: round it");
    else
        widen(&survey->columns[column], &decimal, row->line);
}

/* ---- time ---- */

static void place(struct import_survey *survey, double time_s, unsigned line) {
    struct import_step step;
    double before_s = survey->grid.last_s;
    char read[40];
    snprintf(read, sizeof read, "%.12g", time_s);
    switch (import_grid_place(&survey->grid, time_s, &step)) {
    case IMPORT_SAME_TIME:
        complain(survey, line, "time_s", read,
                 "the same time as in the row before: give more decimals, or take one row out");
        return;
    case IMPORT_BACKWARDS:
        complain(survey, line, "time_s", read,
                 "goes backwards (the row before: %.12g): sort the rows by time", before_s);
        return;
    case IMPORT_UNEVEN:
        complain(survey, line, "time_s", read,
                 "is %.2f periods off the even spacing of %.6g s (allowed: %.2f): give the times "
                 "more decimals, or resample the record evenly",
                 fabs(step.deviation), survey->grid.period_s, IMPORT_TOLERANCE);
        break;
    case IMPORT_PLACED:
        break;
    }
    survey->jumps += step.missing > 0;
    survey->missing += step.missing;
    survey->worst_jitter = fmax(survey->worst_jitter, fabs(step.deviation));
}

/* The first rows are there: finds their period and places them. */
static void place_first_rows(struct import_survey *survey) {
    survey->first_period_s = import_grid_period(survey->first_times, survey->first_count);
    if (!(survey->first_period_s > 0))
        survey->first_period_s = 1; /* no step rises; every row will say so */
    import_grid_begin(&survey->grid, survey->first_period_s);
    for (size_t i = 0; i < survey->first_count; i++)
        place(survey, survey->first_times[i], survey->first_lines[i]);
}

static void read_time(struct import_survey *survey, const struct import_row *row) {
    struct import_decimal decimal;
    if (!read_decimal(survey, row, 0, "time_s", &decimal))
        return;
    double time_s = import_decimal_double(&decimal);
    if (fabs(time_s) > TIME_MOST_S) {
        complain(survey, row->line, "time_s", row->field[0].text,
                 "a time is in seconds, %.2g at most", TIME_MOST_S);
        return;
    }
    if (-decimal.exponent > survey->time_decimals)
        survey->time_decimals = -decimal.exponent;
    if (survey->rows == 0)
        survey->first_s = time_s;
    survey->last_s = time_s;
    survey->rows++;
    if (survey->first_period_s > 0) {
        place(survey, time_s, row->line);
        return;
    }
    survey->first_times[survey->first_count] = time_s;
    survey->first_lines[survey->first_count] = row->line;
    if (++survey->first_count == IMPORT_FIRST_ROWS)
        place_first_rows(survey);
}

/* ---- rows ---- */

int import_survey_row(void *context, const struct import_row *row) {
    struct import_survey *survey = context;
    survey->newest_line = row->line;
    if (!survey->has_header)
        return read_header(survey, row);
    if (row->count != survey->column_count + 1) {
        bool commas = row->count == 2 * (survey->column_count + 1);
        complain(survey, row->line, NULL, NULL, "%zu field%s, but the header has %zu%s", row->count,
                 row->count == 1 ? "" : "s", survey->column_count + 1,
                 commas ? ": are decimals written with commas? Points must stand there" : "");
    } else {
        read_time(survey, row);
        for (size_t i = 0; i < survey->column_count; i++)
            read_value(survey, row, i);
    }
    return survey->out_of_memory ? -ENOMEM : 0;
}

int import_survey_broken(void *context, unsigned line, const char *what) {
    struct import_survey *survey = context;
    survey->newest_line = line;
    complain(survey, line, NULL, NULL, "%s", what);
    if (survey->out_of_memory)
        return -ENOMEM;
    return survey->has_header ? 0 : -EINVAL;
}

static void check_width(struct import_survey *survey, size_t index) {
    const struct import_column *column = &survey->columns[index];
    if (column->lowest >= INT32_MIN && column->highest <= INT32_MAX)
        return;
    double largest = fmax((double)column->highest, -(double)column->lowest);
    double places = column->decimals - ceil(log10(largest / INT32_MAX));
    if (places >= 0)
        complain(survey, column->decimals_line, column_name(survey, index), NULL,
                 "%d decimals here and the size of the value in line %u do not fit 32 bits "
                 "together: write at most %.0f decimals",
                 column->decimals, column->largest_line, places);
    else
        complain(survey, column->largest_line, column_name(survey, index), NULL,
                 "the value is too large: +-%d at most", INT32_MAX);
}

/*
 * The mean period; a whole number of rows a second where the times, as finely as they are
 * written, cannot tell it from that.
 */
static double mean_period(const struct import_survey *survey) {
    double stretch = survey->last_s - survey->first_s;
    double rate = (double)survey->grid.scan / stretch;
    double written = pow(10, -fmin(survey->time_decimals, 15)) / stretch;
    double share = fmin(fmax(written, 1e-9), 1e-4);
    return 1 / (fabs(rate - round(rate)) <= rate * share ? round(rate) : rate);
}

int import_survey_finish(struct import_survey *survey) {
    if (!survey->has_header)
        complain(survey, 0, NULL, NULL,
                 "the file is empty: a header time_s,CHANNEL,... and rows "
                 "of numbers belong into it");
    else if (survey->rows < 2 && survey->complaints == 0)
        complain(survey, 0, NULL, NULL, "at least two rows of values are needed");
    if (survey->first_count && survey->first_period_s <= 0)
        place_first_rows(survey);
    for (size_t i = 0; i < survey->column_count; i++)
        check_width(survey, i);
    if (survey->jumps > 2 + survey->rows / 20)
        complain(survey, 0, NULL, NULL,
                 "%" PRIu64 " of %" PRIu64 " rows come after a jump in time: the times are written "
                 "too coarsely for this rate: give more decimals",
                 survey->jumps, survey->rows);
    if (survey->complaints > IMPORT_PROBLEMS_MAX &&
        problems_add(survey->problems, survey->newest_line, NULL, NULL,
                     "and %" PRIu64 " more problems up to this line",
                     survey->complaints - IMPORT_PROBLEMS_MAX) < 0)
        survey->out_of_memory = true;
    if (survey->out_of_memory)
        return -ENOMEM;
    if (survey->complaints)
        return -EINVAL;
    survey->period_s = mean_period(survey);
    return 0;
}
