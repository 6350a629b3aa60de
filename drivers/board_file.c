// SPDX-License-Identifier: Apache-2.0
/*
 * board_file.c - what a board file says, put over what its driver says.
 */
#include "board_file.h"

#include <math.h>
#include <string.h>

void board_file_init(struct board_file *file) {
    *file = (struct board_file){
        .silence_limit_s = (double)NAN, .boot_delay_s = (double)NAN, .skew_s = (double)NAN};
    for (size_t i = 0; i < BOARD_INPUTS_MAX; i++)
        file->volts_low[i] = file->volts_high[i] = file->input_skew_s[i] = file->delay_s[i] =
            (double)NAN;
}

/* The line through (lowest count, volts_low) and (highest count, volts_high). */
static void describe_range(const struct board_file *file, struct board_description *description,
                           size_t input) {
    double low = description->rail_low[input];
    double high = description->rail_high[input];
    if (isnan(file->volts_low[input]) || !(low < high))
        return;
    double volts_per_count = (file->volts_high[input] - file->volts_low[input]) / (high - low);
    description->volts_per_count[input] = volts_per_count;
    description->zero_counts[input] = low - file->volts_low[input] / volts_per_count;
}

void board_file_describe(const struct board_file *file, struct board_description *description) {
    if (!file)
        return;
    if (!isnan(file->skew_s))
        description->skew_s = file->skew_s;
    for (size_t i = 0; i < description->inputs; i++) {
        describe_range(file, description, i);
        if (!isnan(file->input_skew_s[i]))
            description->input_skew_s[i] = file->input_skew_s[i];
        if (!isnan(file->delay_s[i]))
            description->delay_s[i] = file->delay_s[i];
    }
}

double board_silence_limit_s(const struct board_driver *driver,
                             const struct board_settings *settings) {
    const struct board_file *file = settings ? settings->file : NULL;
    return file && !isnan(file->silence_limit_s) ? file->silence_limit_s : driver->silence_limit_s;
}

double board_boot_delay_s(const struct board_driver *driver,
                          const struct board_settings *settings) {
    const struct board_file *file = settings ? settings->file : NULL;
    return file && !isnan(file->boot_delay_s) ? file->boot_delay_s : driver->boot_delay_s;
}

void board_file_bytes(const struct board_requests *requests, struct board_bytes *bytes) {
    bytes->count = 0;
    for (size_t i = 0; i < requests->count; i++) {
        const struct board_request *request = &requests->request[i];
        if (request->control || request->count > sizeof bytes->byte - bytes->count)
            continue;
        memcpy(bytes->byte + bytes->count, request->data, request->count);
        bytes->count += request->count;
    }
}

double board_file_bytes_per_s(const struct board_file *file, double rate_hz) {
    if (!file || !file->packet.scans)
        return 0;
    return rate_hz * (double)file->packet.size / (double)file->packet.scans;
}
