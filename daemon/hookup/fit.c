// SPDX-License-Identifier: Apache-2.0
/*
 * fit.c - finishes a hookup's channels with what their board, or an imported record, says.
 */
#include "reading.h"

#include <errno.h>
#include <math.h>

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

static void fit_channel(struct vehicle_channel *channel, const struct channel_fit *fit,
                        enum hookup_scale kind, const struct board_description *description) {
    size_t input = channel->input;
    if (kind == HOOKUP_SCALE_TIMES_BOARD) {
        double per_count = fit->factor * description->volts_per_count[input];
        channel->scale =
            scale_line(per_count, fit->offset - per_count * description->zero_counts[input]);
    }
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
    for (size_t i = 0; result == 0 && i < hookup->vehicle.channel_count; i++)
        if (whole->fits[i].has_board && whole->channels[i].stream == board)
            fit_channel(&whole->channels[i], &whole->fits[i], hookup->scale_kind[i], description);
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
