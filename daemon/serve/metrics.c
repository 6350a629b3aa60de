// SPDX-License-Identifier: Apache-2.0
/*
 * metrics.c - the counters in Prometheus' text format 0.0.4: one family after the other, each with
 * its HELP and TYPE.
 */
#include "handlers.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A label's value: the format wants \, " and line ends escaped. */
static void put_label(FILE *out, const char *text) {
    for (; *text; text++) {
        if (*text == '\n')
            fputs("\\n", out);
        else if (*text == '\\' || *text == '"')
            fprintf(out, "\\%c", *text);
        else
            fputc(*text, out);
    }
}

static void begin(FILE *out, const char *name, const char *type, const char *help) {
    fprintf(out, "# HELP cranktrap_%s %s\n# TYPE cranktrap_%s %s\n", name, help, name, type);
}

static void put_value(FILE *out, double value) {
    if (isfinite(value))
        fprintf(out, " %.15g\n", value);
    else
        fputs(" NaN\n", out);
}

static void put(FILE *out, const char *name, const char *type, const char *help, double value) {
    begin(out, name, type, help);
    fprintf(out, "cranktrap_%s", name);
    put_value(out, value);
}

/* ---- boards ---- */

struct board_family {
    const char *name, *type, *help;
    double (*value)(const struct intake_status *status, double now_s);
};

static double streaming(const struct intake_status *status, double now_s) {
    (void)now_s;
    return status->state == INTAKE_STREAMING;
}
static double scans(const struct intake_status *status, double now_s) {
    (void)now_s;
    return (double)status->scans;
}
static double scans_lost(const struct intake_status *status, double now_s) {
    (void)now_s;
    return (double)status->scans_lost;
}
static double losses_unknown(const struct intake_status *status, double now_s) {
    (void)now_s;
    return (double)status->losses_unknown;
}
static double reconnects(const struct intake_status *status, double now_s) {
    (void)now_s;
    return (double)status->reconnects;
}
static double bytes(const struct intake_status *status, double now_s) {
    (void)now_s;
    return (double)status->bytes;
}
static double rate(const struct intake_status *status, double now_s) {
    (void)now_s;
    return status->rate_hz;
}
static double age(const struct intake_status *status, double now_s) {
    return status->last_scan_ns ? now_s - (double)status->last_scan_ns * 1e-9 : (double)NAN;
}

static const struct board_family board_families[] = {
    {"board_streaming", "gauge", "1 while the board streams.", streaming},
    {"board_scans_total", "counter", "Scans taken from the board.", scans},
    {"board_scans_lost_total", "counter", "Scans known to be missing.", scans_lost},
    {"board_losses_of_unknown_size_total", "counter", "Losses whose scans nobody counted.",
     losses_unknown},
    {"board_reconnects_total", "counter", "Times the board came back.", reconnects},
    {"board_bytes_total", "counter", "Bytes taken from the board.", bytes},
    {"board_rate_hertz", "gauge", "Scans a second, as measured.", rate},
    {"board_newest_scan_age_seconds", "gauge", "Age of the newest scan.", age},
};

static void put_boards(FILE *out, const struct serve_parts *parts) {
    double now_s = (double)timebase_elapsed_ns(parts->timebase) * 1e-9;
    for (size_t i = 0; i < sizeof board_families / sizeof *board_families; i++) {
        const struct board_family *family = &board_families[i];
        begin(out, family->name, family->type, family->help);
        for (size_t board = 0; board < intake_boards(parts->intake); board++) {
            struct intake_status status;
            intake_status(parts->intake, board, &status);
            fprintf(out, "cranktrap_%s{board=\"", family->name);
            put_label(out, status.board);
            fputs("\"}", out);
            put_value(out, family->value(&status, now_s));
        }
    }
}

/* ---- channels ---- */

static double lowest(const struct watch_reading *reading) {
    return reading->lowest;
}
static double highest(const struct watch_reading *reading) {
    return reading->highest;
}
static double average(const struct watch_reading *reading) {
    return reading->average;
}

static void put_channels(FILE *out, const struct serve_parts *parts) {
    static const struct {
        const char *name, *help;
        double (*value)(const struct watch_reading *reading);
    } families[] = {
        {"channel_lowest", "Lowest value of the last half second, in the channel's unit.", lowest},
        {"channel_highest", "Highest value of the last half second, in the channel's unit.",
         highest},
        {"channel_average", "Average of the last half second, in the channel's unit.", average},
    };
    const struct vehicle *vehicle = &parts->hookup->vehicle;
    for (size_t i = 0; i < sizeof families / sizeof *families; i++) {
        begin(out, families[i].name, "gauge", families[i].help);
        for (size_t channel = 0; channel < vehicle->channel_count; channel++) {
            struct watch_reading reading;
            watch_reading(parts->watch, channel, &reading);
            fprintf(out, "cranktrap_%s{channel=\"", families[i].name);
            put_label(out, vehicle->channels[channel].name);
            fputs("\",unit=\"", out);
            put_label(out, vehicle->channels[channel].unit);
            fputs("\"}", out);
            put_value(out, reading.fresh ? families[i].value(&reading) : (double)NAN);
        }
    }
}

/* ---- rings and snapshots ---- */

static void put_rings(FILE *out, const struct serve_parts *parts) {
    struct disk_ring_state disk = disk_ring_state(parts->disk);
    struct memory_ring_state memory = memory_ring_state(parts->memory);
    put(out, "ring_bytes", "gauge", "Bytes of the ring on disk.", (double)disk.bytes);
    put(out, "ring_written_bytes_total", "counter", "Bytes written into the ring.",
        (double)disk.bytes_written);
    put(out, "ring_syncs_total", "counter", "Times the ring was made durable.", (double)disk.syncs);
    put(out, "ring_scans_dropped_total", "counter", "Scans that could be written nowhere.",
        (double)disk.scans_dropped);
    put(out, "ring_failing", "gauge", "1 while the ring cannot be written.",
        disk.last_error ? 1 : 0);
    put(out, "disk_free_bytes", "gauge", "Free bytes of the ring's file system.",
        disk.free_bytes ? (double)disk.free_bytes : (double)NAN);
    put(out, "memory_ring_bytes", "gauge", "Bytes on their way to the disk.", (double)memory.bytes);
    put(out, "memory_ring_bound_bytes", "gauge", "The most that may be on their way.",
        (double)memory.bound);
    put(out, "memory_ring_scans_lost_total", "counter", "Scans lost because the disk was too slow.",
        (double)memory.scans_lost);
}

static void put_snapshots(FILE *out, const struct serve_parts *parts) {
    struct snapshot_state state;
    snapshots_state(parts->snapshots, &state);
    put(out, "snapshots_saved_total", "counter", "Snapshots saved.", state.saved);
    put(out, "snapshots_failed_total", "counter", "Snapshots that could not be written.",
        state.failed);
    put(out, "snapshots_removed_total", "counter", "Snapshots deleted to make room.",
        state.removed);
    put(out, "snapshots_bytes", "gauge", "Bytes of all snapshots.", (double)state.bytes);
    put(out, "snapshots_room", "gauge", "1 while there is room for another snapshot.", state.room);
}

enum MHD_Result get_metrics(struct serve *serve, struct request *request, const char *rest) {
    (void)rest;
    const struct serve_parts *parts = &serve->parts;
    char *text = NULL;
    size_t size = 0;
    FILE *out = open_memstream(&text, &size);
    if (!out)
        return MHD_NO;
    begin(out, "build_info", "gauge", "Always 1; the version is a label.");
    fputs("cranktrap_build_info{version=\"" CRANKTRAP_VERSION "\"} 1\n", out);
    put(out, "crankings_total", "counter", "Times the starter engaged.",
        (double)watch_attempts(parts->watch));
    put_boards(out, parts);
    put_channels(out, parts);
    put_rings(out, parts);
    put_snapshots(out, parts);
    if (fclose(out) != 0) {
        free(text);
        return MHD_NO;
    }
    request->answer = (struct answer){.status = MHD_HTTP_OK,
                                      .type = "text/plain; version=0.0.4; charset=utf-8",
                                      .bytes = text,
                                      .size = size};
    return send_answer(request);
}
