// SPDX-License-Identifier: Apache-2.0
/*
 * fit.c - finishes a hookup's channels with what their board, or an imported record, says.
 */
#include "reading.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define LINKS_BY_ID "/dev/serial/by-id/"

/* Adds what the board cannot do for this channel. 0, -EINVAL after a problem, or -ENOMEM. */
static int check_input(const struct hookup_board *board, const struct vehicle_channel *channel,
                       const struct channel_fit *fit, enum hookup_scale kind,
                       const struct board_description *description, struct problems *problems) {
    int added = 0;
    if (channel->input >= description->inputs)
        added = problems_add(problems, fit->line, fit->title, NULL,
                             "input %zu: board \"%s\" has %zu inputs, counted from 0",
                             channel->input, board->name, description->inputs);
    else if (kind == HOOKUP_SCALE_TIMES_BOARD &&
             !isfinite(description->volts_per_count[channel->input]))
        added = problems_add(problems, fit->line, fit->title, NULL,
                             "board \"%s\" does not say how many volts a count of input %zu is: "
                             "give volts-per-count, or points with two known voltages",
                             board->name, channel->input);
    else
        return 0;
    return added < 0 ? added : -EINVAL;
}

/* The scale that the hookup and the board give, kept apart from what calibration makes of it. */
static void fit_scale(struct vehicle_channel *channel, struct channel_fit *fit,
                      enum hookup_scale kind, const struct board_description *description) {
    size_t input = channel->input;
    if (kind == HOOKUP_SCALE_TIMES_BOARD) {
        double per_count = fit->factor * description->volts_per_count[input];
        fit->nominal =
            scale_line(per_count, fit->offset - per_count * description->zero_counts[input]);
    } else if (fit->nominal.points == 0) {
        fit->nominal = channel->scale; /* as read; a fit before this one has kept it already */
    }
    channel->scale = fit->nominal;
}

static void apply_calibration(const struct hookup_whole *whole, struct vehicle_channel *channel,
                              struct channel_fit *fit, const char *key) {
    fit->calibration.state = CALIBRATION_NONE;
    for (size_t i = 0; i < whole->calibration_count; i++) {
        const struct calibration *calibration = &whole->calibrations[i];
        if (calibration->input != channel->input || strcmp(calibration->board, key) != 0)
            continue;
        bool fits = calibration_fits(calibration, &fit->nominal, channel->unit);
        fit->calibration.state = fits ? CALIBRATION_APPLIED : CALIBRATION_OTHER_SCALE;
        fit->calibration.calibration = *calibration;
        if (fits)
            channel->scale = calibration_applied(calibration, &fit->nominal);
    }
}

static void fit_channel(struct vehicle_channel *channel, const struct channel_fit *fit,
                        const struct board_description *description) {
    size_t input = channel->input;
    channel->rail_low = description->rail_low[input];
    channel->rail_high = description->rail_high[input];
    /* An unknown skew lies within one scan; the scan's own time is the best there is. */
    if (!fit->skew_given)
        channel->skew_s =
            (isfinite(description->skew_s) ? (double)input * description->skew_s : 0) +
            description->input_skew_s[input];
    if (!fit->delay_given)
        channel->delay_s = description->delay_s[input];
}

int hookup_fit_board(struct hookup *hookup, size_t board,
                     const struct board_description *description, struct problems *problems) {
    struct hookup_whole *whole = (struct hookup_whole *)hookup;
    if (board >= hookup->board_count)
        return -EINVAL;
    char key[CALIBRATION_BOARD];
    bool known = hookup_board_key(&hookup->boards[board], description, key);
    int result = 0;
    for (size_t i = 0; i < hookup->vehicle.channel_count; i++) {
        const struct vehicle_channel *channel = &whole->channels[i];
        if (!whole->fits[i].has_board || channel->stream != board)
            continue;
        int checked = check_input(&whole->boards[board], channel, &whole->fits[i],
                                  hookup->scale_kind[i], description, problems);
        if (checked < 0 && result != -ENOMEM)
            result = checked;
    }
    for (size_t i = 0; result == 0 && i < hookup->vehicle.channel_count; i++) {
        if (!whole->fits[i].has_board || whole->channels[i].stream != board)
            continue;
        fit_scale(&whole->channels[i], &whole->fits[i], hookup->scale_kind[i], description);
        apply_calibration(whole, &whole->channels[i], &whole->fits[i], known ? key : "");
        fit_channel(&whole->channels[i], &whole->fits[i], description);
    }
    return result;
}

int hookup_fit_import(struct hookup *hookup, size_t channel, size_t stream, size_t input,
                      const struct scale *scale) {
    struct hookup_whole *whole = (struct hookup_whole *)hookup;
    if (channel >= hookup->vehicle.channel_count)
        return -ERANGE;
    struct vehicle_channel *fitted = &whole->channels[channel];
    fitted->stream = stream;
    fitted->input = input;
    fitted->scale = *scale;
    fitted->rail_low = 1; /* above rail_high: not known */
    fitted->rail_high = 0;
    return 0;
}

/* ---- calibration ---- */

int hookup_calibrate(struct hookup *hookup, const struct calibration *calibrations, size_t count) {
    struct hookup_whole *whole = (struct hookup_whole *)hookup;
    struct calibration *copy = calloc(count + 1, sizeof *copy);
    if (!copy)
        return -ENOMEM;
    if (count > 0)
        memcpy(copy, calibrations, count * sizeof *copy);
    free(whole->calibrations);
    whole->calibrations = copy;
    whole->calibration_count = count;
    return 0;
}

const struct hookup_calibration *hookup_calibration(const struct hookup *hookup, size_t channel) {
    return &((const struct hookup_whole *)hookup)->fits[channel].calibration;
}

const struct scale *hookup_nominal_scale(const struct hookup *hookup, size_t channel) {
    return &((const struct hookup_whole *)hookup)->fits[channel].nominal;
}

/* A name in an old encoding is written to a file as UTF-8: both must give the same key. */
static bool put_ascii(char *key, const char *kind, const char *name) {
    size_t used = strlen(kind);
    memcpy(key, kind, used + 1);
    for (const char *from = name; *from && used + 1 < CALIBRATION_BOARD; from++) {
        bool ascii = (unsigned char)*from < 0x80;
        bool again = from > name && (unsigned char)from[-1] >= 0x80;
        if (ascii || !again)
            key[used++] = '?';
        if (ascii)
            key[used - 1] = *from;
    }
    key[used] = '\0';
    return used + 1 < CALIBRATION_BOARD;
}

bool hookup_board_key(const struct hookup_board *board, const struct board_description *description,
                      char key[CALIBRATION_BOARD]) {
    if (description->identity[0])
        return put_ascii(key, "", description->identity);
    if (!board->device)
        return false;
    bool is_link = strncmp(board->device, LINKS_BY_ID, strlen(LINKS_BY_ID)) == 0;
    bool is_serial = !strchr(board->device, '/');
    return (is_link || is_serial) && put_ascii(key, "device ", board->device);
}
