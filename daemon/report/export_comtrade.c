// SPDX-License-Identifier: Apache-2.0
/*
 * export_comtrade.c - IEEE C37.111 (IEC 60255-24): a .cfg of lines and a .dat of binary records.
 *
 * Counts of 16 bits make BINARY of revision 1999, wider ones BINARY32 of 2013. No rate is given:
 * each record has its own time, so a true rate need not be a whole number and missing rows are
 * absent. The times are counted from the first row; the .cfg has its date.
 */
#include "export_about.h"
#include "export_format.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#define NAME_MOST 64 /* characters of a name, as the standard has it */

struct comtrade {
    const struct export_table *table;
    struct export_rows rows;
    FILE *lines, *data;
    bool wide;            /* BINARY32 */
    double times_unit_us; /* microseconds that one step of a record's time is */
};

/* A name without what separates fields, of at most NAME_MOST characters of UTF-8. */
static void put_name(FILE *to, const char *name) {
    for (size_t characters = 0; name && *name; name++) {
        characters += ((unsigned char)*name & 0xC0) != 0x80;
        if (characters > NAME_MOST)
            return;
        fputc(*name == ',' || (unsigned char)*name < ' ' ? ' ' : *name, to);
    }
}

/* Value = a x count + b; what is bent has no such line and stays in counts. */
static void put_channel(const struct comtrade *comtrade, size_t column) {
    const struct vehicle_channel *channel = comtrade->table->column[column];
    const struct scale *scale = &channel->scale;
    bool straight = scale->points == 2 && !comtrade->table->counts;
    double step =
        straight ? (scale->values[1] - scale->values[0]) / (scale->counts[1] - scale->counts[0])
                 : 1;
    double offset = straight ? scale->values[0] - step * scale->counts[0] : 0;
    int32_t most = comtrade->wide ? INT32_MAX : INT16_MAX;
    bool rails = channel->rail_low <= channel->rail_high;
    fprintf(comtrade->lines, "%zu,", column + 1);
    put_name(comtrade->lines, channel->name);
    fprintf(comtrade->lines, ",,%s,", role_name(channel->role));
    put_name(comtrade->lines, straight ? channel->unit : "counts");
    fprintf(comtrade->lines, ",%.17g,%.17g,%.9g,%" PRId32 ",%" PRId32 ",1,1,P\r\n", step, offset,
            channel->skew_s * 1e6, rails ? channel->rail_low : -most,
            rails ? channel->rail_high : most);
}

/* Day/month/year,time with microseconds; the epoch where no clock told it. */
static void put_date(FILE *to, int64_t wall_ns) {
    int64_t known_ns = wall_ns > 0 ? wall_ns : 0;
    time_t seconds = (time_t)(known_ns / 1000000000);
    struct tm broken;
    char date[40] = "01/01/1970,00:00:00";
    if (gmtime_r(&seconds, &broken))
        strftime(date, sizeof date, "%d/%m/%Y,%H:%M:%S", &broken);
    fprintf(to, "%s.%06d\r\n", date, (int)(known_ns % 1000000000 / 1000));
}

static void put_lines(struct comtrade *comtrade) {
    const struct export_table *table = comtrade->table;
    FILE *to = comtrade->lines;
    int64_t wall_ns = playback_wall_ns(table->playback);
    if (wall_ns > 0)
        wall_ns += llround(comtrade->rows.first_s * 1e9);
    put_name(to, table->record->vehicle->name);
    fputc(',', to);
    put_name(to, table->board->name);
    fprintf(to, ",%s\r\n%zu,%zuA,0D\r\n", comtrade->wide ? "2013" : "1999", table->columns,
            table->columns);
    for (size_t i = 0; i < table->columns; i++)
        put_channel(comtrade, i);
    fprintf(to, "0\r\n0\r\n0,%" PRIu64 "\r\n", comtrade->rows.rows); /* each record has its time */
    put_date(to, wall_ns);
    put_date(to, wall_ns);
    fprintf(to, "%s\r\n%.17g\r\n", comtrade->wide ? "BINARY32" : "BINARY", comtrade->times_unit_us);
    if (comtrade->wide)
        fputs("0,0\r\nF,3\r\n", to); /* universal time, of a clock that nobody vouches for */
}

static int comtrade_run(void *writer, const struct record_run *run) {
    struct comtrade *comtrade = writer;
    const struct export_table *table = comtrade->table;
    unsigned char record[8 + 4 * BOARD_INPUTS_MAX];
    uint64_t number = comtrade->rows.rows;
    (void)export_rows_take(&comtrade->rows, run, false);
    for (size_t scan = 0; scan < run->scans; scan++) {
        double time_s = run->time_s + (double)scan * run->period_s - comtrade->rows.first_s;
        uint32_t time = (uint32_t)llround(time_s * 1e6 / comtrade->times_unit_us);
        unsigned char *to = export_put_int32(record, (int32_t)(uint32_t)++number);
        to = export_put_int32(to, (int32_t)time);
        for (size_t i = 0; i < table->columns; i++) {
            int32_t count = run->counts[table->column[i]->input][scan];
            to = comtrade->wide ? export_put_int32(to, count) : export_put_int16(to, count);
        }
        if (fwrite(record, (size_t)(to - record), 1, comtrade->data) != 1)
            return -errno;
    }
    return 0;
}

static int finish_stream(FILE **stream) {
    int result = fflush(*stream) != 0 || fsync(fileno(*stream)) < 0 ? -errno : 0;
    if (fclose(*stream) != 0 && result == 0)
        result = -errno;
    *stream = NULL;
    return result;
}

static int comtrade_finish(void *writer) {
    struct comtrade *comtrade = writer;
    put_lines(comtrade);
    int lines = finish_stream(&comtrade->lines);
    int data = finish_stream(&comtrade->data);
    return lines < 0 ? lines : data;
}

static void comtrade_free(void *writer) {
    struct comtrade *comtrade = writer;
    if (comtrade && comtrade->lines)
        (void)fclose(comtrade->lines);
    if (comtrade && comtrade->data)
        (void)fclose(comtrade->data);
    free(comtrade);
}

/* 16 bits with a sign hold all counts, but the lowest, which means "missing" there. */
static bool needs_32_bits(const struct export_table *table) {
    for (size_t i = 0; i < table->columns; i++) {
        const struct vehicle_channel *channel = table->column[i];
        bool rails = channel->rail_low <= channel->rail_high;
        if (!rails || channel->rail_low < -INT16_MAX || channel->rail_high > INT16_MAX)
            return true;
    }
    return false;
}

static int comtrade_begin(const struct export_table *table, const char *path, const char *companion,
                          void **writer) {
    struct comtrade *comtrade = calloc(1, sizeof *comtrade);
    if (!comtrade)
        return -ENOMEM;
    *comtrade = (struct comtrade){
        .table = table, .rows = export_rows_begin(), .wide = needs_32_bits(table)};
    double length_us = (table->record->to_s - table->record->from_s) * 1e6;
    comtrade->times_unit_us = fmax(1, ceil(length_us / (double)(UINT32_MAX - 1)));
    comtrade->lines = fopen(path, "wxe");
    int result = comtrade->lines ? 0 : -errno;
    if (result == 0) {
        comtrade->data = fopen(companion, "wxe");
        result = comtrade->data ? 0 : -errno;
    }
    if (result < 0) {
        comtrade_free(comtrade);
        return result;
    }
    *writer = comtrade;
    return 0;
}

const struct export_format export_comtrade = {
    .extension = ".cfg",
    .companion = ".dat",
    .begin = comtrade_begin,
    .run = comtrade_run,
    .finish = comtrade_finish,
    .free = comtrade_free,
};
