// SPDX-License-Identifier: Apache-2.0
/*
 * layout_board.c - boards whose packets a board file describes.
 */
#include "layout_board.h"

#include "board_file.h"
#include "packet_stream.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

struct board {
    const struct board_file *file;
    struct packet_stream *stream;
    double rate_hz;
};

static int refuse(int error, char *why, size_t why_size, const char *text) {
    if (why && why_size)
        snprintf(why, why_size, "%s", text);
    return error;
}

int layout_board_open(const struct board_driver *driver, const struct board_settings *settings,
                      const struct board_sinks *sinks, struct board **board, char *why,
                      size_t why_size) {
    const struct board_file *file = settings ? settings->file : NULL;
    if (!file || !file->packet.size)
        return refuse(-EINVAL, why, why_size,
                      "this driver needs a board file that describes the packet: write board = "
                      "NAME instead of driver =");
    struct board *made = calloc(1, sizeof *made);
    if (!made)
        return refuse(-ENOMEM, why, why_size, "not enough memory");
    made->file = file;
    made->rate_hz = board_setting_number(driver, settings, "rate", 0);
    int result = packet_stream_new(&file->packet, sinks, &made->stream);
    if (result < 0) {
        layout_board_close(made);
        return refuse(result, why, why_size,
                      result == -ENOMEM ? "not enough memory"
                                        : "the packet of the board file contradicts itself");
    }
    *board = made;
    return 0;
}

int layout_board_describe(const struct board *board, struct board_description *description) {
    const struct packet_layout *packet = &board->file->packet;
    *description = (struct board_description){
        .inputs = packet->inputs, .rate_hz = board->rate_hz, .skew_s = (double)NAN};
    for (size_t i = 0; i < packet->inputs; i++) {
        description->bits[i] = packet->value_bits;
        description->rail_low[i] = packet_layout_lowest(packet);
        description->rail_high[i] = packet_layout_highest(packet);
        description->volts_per_count[i] = (double)NAN;
    }
    board_file_describe(board->file, description);
    return 0;
}

enum board_result layout_board_consume(struct board *board, const uint8_t *bytes, size_t count) {
    return packet_stream_consume(board->stream, bytes, count);
}

void layout_board_hole(struct board *board) {
    packet_stream_hole(board->stream);
}

int layout_board_restart(struct board *board, struct board_bytes *request) {
    packet_stream_restart(board->stream);
    request->count = 0;
    return 0;
}

int layout_board_again(struct board *board, struct board_bytes *request) {
    board_file_bytes(&board->file->start, request);
    return 0;
}

int layout_board_start(struct board *board, struct board_bytes *request) {
    packet_stream_restart(board->stream);
    return layout_board_again(board, request);
}

int layout_board_stop(struct board *board, struct board_bytes *request) {
    board_file_bytes(&board->file->stop, request);
    return 0;
}

void layout_board_close(struct board *board) {
    if (!board)
        return;
    packet_stream_free(board->stream);
    free(board);
}
