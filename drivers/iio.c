// SPDX-License-Identifier: Apache-2.0
/*
 * iio.c - converters that the kernel drives (Industrial I/O), by libiio: each input is read by its
 * attribute, a scan a turn. Slow, and the inputs of a scan one after the other: for battery, feed
 * and supply, not for a crank signal. Buffered capture is not done.
 *
 * The kernel gives millivolts as (raw + offset) * scale (its Documentation/ABI/testing/
 * sysfs-bus-iio); counts are the raw values.
 */
#include "board.h"
#include "poll_clock.h"
#include "poll_pace.h"
#include "sentence.h"

#include <errno.h>
#include <iio.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define SECOND_NS    1000000000ll
#define CHANNEL_NAME 32

const struct board_driver board_driver_iio;

static const struct board_option options[] = {
    {"rate", BOARD_OPTION_NUMBER, NULL, true, 0.01, 1000, NULL, "scans a second"},
    {"channels", BOARD_OPTION_TEXT, NULL, true, 0, 0, NULL,
     "the converter's channels in the order of the inputs, such as voltage0, voltage1"},
    {"bits", BOARD_OPTION_WHOLE, "12", false, 2, 31, NULL, "of the converter"},
    {"signed", BOARD_OPTION_WORD, "no", false, 0, 0, "yes|no", "raw values can be below 0"},
    {0},
};

struct input {
    char name[CHANNEL_NAME];
    struct iio_channel *channel; /* of the context; NULL: not started */
    double millivolts, offset;   /* (raw + offset) * millivolts */
};

struct board {
    struct board_sinks sinks;
    const char *device;
    double rate_hz;
    unsigned bits;
    int32_t lowest, highest;
    size_t inputs;
    struct input input[BOARD_INPUTS_MAX];
    struct iio_context *context; /* NULL: not started */
    bool known;                  /* the kernel has told the scales once */
    struct poll_pace pace;
    char why[256];
};

/* ---- settings ---- */

static int read_channels(struct board *board, const char *list, char *why, size_t size) {
    for (const char *at = list; *(at += strspn(at, " ,\t"));) {
        size_t length = strcspn(at, " ,\t");
        if (length >= CHANNEL_NAME || board->inputs == BOARD_INPUTS_MAX)
            return sentence(why, size, "channels = %s: at most %d names of at most %d characters",
                            list, BOARD_INPUTS_MAX, CHANNEL_NAME - 1);
        memcpy(board->input[board->inputs++].name, at, length);
        at += length;
    }
    return board->inputs ? 0 : sentence(why, size, "channels is empty: such as voltage0, voltage1");
}

static int open_board(const struct board_settings *settings, const struct board_sinks *sinks,
                      struct board **board, char *why, size_t why_size) {
    const struct board_driver *driver = &board_driver_iio;
    const char *channels = board_setting_text(driver, settings, "channels");
    double rate_hz = board_setting_number(driver, settings, "rate", 0);
    if (!settings->device)
        return sentence(
            why, why_size,
            "device is missing: the converter's name, as in /sys/bus/iio/devices/*/name");
    if (!channels || !(rate_hz > 0))
        return sentence(why, why_size, "rate and channels must be given");
    struct board *made = calloc(1, sizeof *made);
    if (!made)
        return -ENOMEM;
    bool is_signed = board_setting_text(driver, settings, "signed")[0] == 'y';
    made->sinks = *sinks;
    made->device = settings->device;
    made->rate_hz = rate_hz;
    made->bits = (unsigned)board_setting_number(driver, settings, "bits", 0);
    int64_t span = INT64_C(1) << made->bits;
    made->lowest = (int32_t)(is_signed ? -span / 2 : 0);
    made->highest = (int32_t)(made->lowest + span - 1);
    int result = read_channels(made, channels, why, why_size);
    if (result < 0) {
        free(made);
        return result;
    }
    *board = made;
    return 0;
}

static int describe(const struct board *board, struct board_description *description) {
    if (!board->known)
        return -EAGAIN;
    *description = (struct board_description){
        .inputs = board->inputs, .rate_hz = board->rate_hz, .skew_s = (double)NAN};
    for (size_t i = 0; i < board->inputs; i++) {
        description->bits[i] = board->bits;
        description->rail_low[i] = board->lowest;
        description->rail_high[i] = board->highest;
        description->volts_per_count[i] = board->input[i].millivolts / 1e3;
        description->zero_counts[i] = -board->input[i].offset;
    }
    snprintf(description->identity, sizeof description->identity, "%s", board->device);
    return 0;
}

/* ---- the converter ---- */

static void forget(struct board *board) {
    if (board->context)
        iio_context_destroy(board->context);
    board->context = NULL;
}

/* An attribute that need not be there. */
static double read_number(const struct iio_channel *channel, const char *name, double missing) {
    double number;
    return iio_channel_attr_read_double(channel, name, &number) == 0 ? number : missing;
}

static int find_inputs(struct board *board, const struct iio_device *device) {
    for (size_t i = 0; i < board->inputs; i++) {
        struct input *input = &board->input[i];
        input->channel = iio_device_find_channel(device, input->name, false);
        if (!input->channel || !iio_channel_find_attr(input->channel, "raw"))
            return sentence(
                board->why, sizeof board->why,
                "converter \"%s\" has no channel \"%s\" that can be read: see in_*_raw in "
                "/sys/bus/iio/devices/%s",
                board->device, input->name, iio_device_get_id(device));
        input->millivolts = read_number(input->channel, "scale", (double)NAN);
        input->offset = read_number(input->channel, "offset", 0);
    }
    board->known = true;
    return 0;
}

static int start(struct board *board, struct board_bytes *request) {
    request->count = 0;
    board->why[0] = '\0';
    forget(board);
    board->context = iio_create_local_context();
    const struct iio_device *device =
        board->context ? iio_context_find_device(board->context, board->device) : NULL;
    int result = device ? find_inputs(board, device) : -ENOENT;
    if (!device)
        (void)sentence(
            board->why, sizeof board->why,
            "there is no converter \"%s\" now: see /sys/bus/iio/devices/*/name, and whether "
            "the kernel's driver for it is loaded",
            board->device);
    if (result < 0) {
        forget(board);
        return result;
    }
    poll_pace_begin(&board->pace, board->rate_hz, poll_clock_ns());
    return 0;
}

static int stop(struct board *board, struct board_bytes *request) {
    request->count = 0;
    forget(board);
    return 0;
}

static void close_board(struct board *board) {
    if (!board)
        return;
    forget(board);
    free(board);
}

/* ---- reading ---- */

/* 0, or the negative errno of an input that cannot be read; -ERANGE: beyond the converter's bits.
 */
static int read_scan(struct board *board, int32_t *counts) {
    for (size_t i = 0; i < board->inputs; i++) {
        long long raw = 0;
        int result = iio_channel_attr_read_longlong(board->input[i].channel, "raw", &raw);
        if (result < 0)
            return result == -ENOENT ? -ENODEV : result;
        if (raw < board->lowest || raw > board->highest) {
            (void)sentence(
                board->why, sizeof board->why,
                "channel \"%s\" reads %lld, which %u bits cannot hold: put bits or signed "
                "right",
                board->input[i].name, raw, board->bits);
            return -ERANGE;
        }
        counts[i] = (int32_t)raw;
    }
    return 0;
}

static int fetch(struct board *board, int deadline_ms) {
    int32_t counts[BOARD_INPUTS_MAX];
    if (!board->context)
        return -ENODEV;
    int64_t until = poll_clock_ns() + deadline_ms * (SECOND_NS / 1000);
    int64_t due = poll_pace_due_ns(&board->pace);
    poll_clock_wait(due < until ? due : until);
    if (due > until)
        return 0;
    int result = read_scan(board, counts);
    if (result == -ENODEV || result == -ENXIO) {
        board->why[0] = '\0';
        return -ENODEV;
    }
    if (result < 0) {
        if (result != -ERANGE)
            (void)sentence(board->why, sizeof board->why, "converter \"%s\" cannot be read: %s",
                           board->device, strerror(-result));
        poll_pace_missed(&board->pace,
                         result == -ERANGE ? BOARD_LOSS_DAMAGED : BOARD_LOSS_NO_ANSWER,
                         poll_clock_ns());
        return 0;
    }
    board->why[0] = '\0';
    poll_pace_scan(&board->pace, &board->sinks, counts, poll_clock_ns());
    return 1;
}

static const char *explain(const struct board *board) {
    return board->why;
}

const struct board_driver board_driver_iio = {
    .interface = BOARD_INTERFACE,
    .name = "iio",
    .summary = "converters that the kernel drives (Industrial I/O), read one value at a time",
    .shape = BOARD_POLL,
    .bus = BOARD_KERNEL,
    .maturity = BOARD_TRIED_ON_FAKES_ONLY,
    .options = options,
    .silence_limit_s = 3,
    .open = open_board,
    .describe = describe,
    .start = start,
    .fetch = fetch,
    .explain = explain,
    .stop = stop,
    .close = close_board,
};
