// SPDX-License-Identifier: Apache-2.0
/*
 * format.c - scans as packets or lines.
 */
#include "format.h"

#include <math.h>
#include <stdio.h>

int format_begin(struct format *format, uint32_t first) {
    format->number = first;
    if (wire_encoder_begin(&format->encoder, &format->board, format->scans_per_packet) < 0)
        return -1;
    format->encoder.next_scan = first;
    return 0;
}

static int32_t count_of(const struct format *format, double volts) {
    double count = round(volts / format->volts_per_count);
    return (int32_t)fmin(fmax(count, format->low), format->high);
}

static size_t write_line(const struct format *format, const double *volts, char *line) {
    size_t used = 0;
    size_t size = FORMAT_BYTES_MAX;
    if (format->place == FORMAT_COUNTER)
        used += (size_t)snprintf(line, size, "%u,", format->number);
    else if (format->place == FORMAT_TIME)
        used += (size_t)snprintf(line, size, "%.3f,",
                                 format->number * 1e6 / format->board.rate_millihz);
    for (unsigned i = 0; i < format->board.inputs; i++) {
        int32_t count = count_of(format, volts[i]);
        const char *end = i + 1u < format->board.inputs ? "," : "\r\n";
        used += (size_t)(format->decimals
                             ? snprintf(line + used, size - used, "%.*f%s", (int)format->decimals,
                                        count * format->volts_per_count, end)
                             : snprintf(line + used, size - used, "%d%s", count, end));
    }
    return used;
}

size_t format_scan(struct format *format, const double *volts, uint8_t *bytes) {
    size_t length;
    if (format->kind == FORMAT_TEXT) {
        length = write_line(format, volts, (char *)bytes);
    } else {
        int32_t counts[WIRE_INPUTS_MAX];
        for (unsigned i = 0; i < format->board.inputs; i++)
            counts[i] = count_of(format, volts[i]);
        length = wire_encoder_scan(&format->encoder, counts, bytes);
    }
    format->number++;
    return length;
}

size_t format_flush(struct format *format, uint8_t *bytes) {
    return format->kind == FORMAT_TEXT ? 0 : wire_encoder_flush(&format->encoder, bytes);
}

size_t format_drop(struct format *format, uint8_t *bytes) {
    format->number++;
    return format->kind == FORMAT_TEXT ? 0 : wire_encoder_skip(&format->encoder, 1, bytes);
}

void format_pass(struct format *format) {
    format->number++;
    format->encoder.scans = 0;
    format->encoder.next_scan = format->number;
}

size_t format_describe(struct format *format, uint8_t *bytes) {
    if (format->kind == FORMAT_TEXT)
        return (size_t)snprintf((char *)bytes, FORMAT_BYTES_MAX, "# %s, %u inputs\r\n",
                                format->board.name, format->board.inputs);
    return wire_encoder_describe(&format->encoder, bytes);
}

unsigned format_held(const struct format *format) {
    return format->kind == FORMAT_TEXT ? 0 : format->encoder.scans;
}
