// SPDX-License-Identifier: Apache-2.0
/*
 * usb-tmc.c - burst boards of the USB Test and Measurement Class: asked for a block by a command of
 * the board file, they take so many scans and send them all at once.
 *
 * Between two blocks lies the board's dead time, in which it sees nothing. It is no loss, but
 * nobody may think that it was watched: it is told for what it is, in scans, between the bursts.
 */
#include "board_file.h"
#include "packet_layout.h"
#include "poll_clock.h"
#include "sentence.h"
#include "tmc_message.h"
#include "usb_devices.h"
#include "usb_tmc.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define SECOND_NS      1000000000ll
#define MILLISECOND_NS 1000000ll
#define SEND_MS        1000
#define BLOCK_HEAD     16 /* "#9", nine digits, and a line feed behind */
#define FAILURES_MAX   3  /* in a row, cleared each time: then it is opened anew */
#define BLOCK_MAX      1000000

const struct board_driver board_driver_usb_tmc;

static const struct board_option options[] = {
    {"rate", BOARD_OPTION_NUMBER, NULL, true, 0.01, 10000000, NULL,
     "scans a second within a block"},
    {"block", BOARD_OPTION_WHOLE, NULL, true, 1, BLOCK_MAX, NULL, "scans of a block, at most"},
    {"dead-time", BOARD_OPTION_NUMBER, NULL, true, 0, 60, NULL,
     "seconds from the end of a block to the beginning of the next, about"},
    {"answer", BOARD_OPTION_NUMBER, "1", false, 0.05, 60, NULL,
     "seconds that a block may take beyond its own length"},
    {0},
};

struct board {
    struct board_sinks sinks;
    const struct board_file *file;
    const char *device;
    double rate_hz, dead_time_s;
    size_t block; /* scans */
    int64_t answer_ns;

    struct usb_tmc *tmc; /* NULL: not started */
    bool asked;          /* for a block, which is not here yet */
    int64_t asked_ns;
    unsigned failures; /* in a row */
    size_t size, used; /* of the message */
    uint8_t *message;  /* size + USB_TMC_PIECE */
    int32_t *counts;

    /* Since start(): the axis of scans, dead time and losses counted. */
    bool any;
    int64_t first_ns; /* when scan 0 was */
    uint64_t position;
    uint64_t lost[BOARD_LOSSES]; /* since the last block */
    char why[256];
};

/* ---- settings ---- */

static void close_board(struct board *board) {
    if (!board)
        return;
    usb_tmc_close(board->tmc);
    free(board->message);
    free(board->counts);
    free(board);
}

static int make_room(struct board *board) {
    const struct packet_layout *packet = &board->file->packet;
    size_t packets = (board->block + packet->scans - 1) / packet->scans;
    board->size = packets * packet->size + BLOCK_HEAD;
    board->message = malloc(board->size + USB_TMC_PIECE);
    board->counts = malloc(packets * packet->scans * packet->inputs * sizeof *board->counts);
    return board->message && board->counts ? 0 : -ENOMEM;
}

static int open_board(const struct board_settings *settings, const struct board_sinks *sinks,
                      struct board **board, char *why, size_t why_size) {
    const struct board_driver *driver = &board_driver_usb_tmc;
    const struct board_file *file = settings ? settings->file : NULL;
    if (!file || !file->packet.size || !file->ask.count) {
        sentence(why, why_size,
                 "this driver needs a board file that says what to ask and what comes: write "
                 "board = NAME instead of driver =");
        return -EINVAL;
    }
    struct board *made = calloc(1, sizeof *made);
    if (made) {
        made->sinks = *sinks;
        made->file = file;
        made->device = settings->device;
        made->rate_hz = board_setting_number(driver, settings, "rate", 1);
        made->block = (size_t)board_setting_number(driver, settings, "block", 1);
        made->dead_time_s = board_setting_number(driver, settings, "dead-time", 0);
        made->answer_ns = llround(((double)made->block / made->rate_hz +
                                   board_setting_number(driver, settings, "answer", 1)) *
                                  (double)SECOND_NS);
    }
    int result = made ? make_room(made) : -ENOMEM;
    if (result < 0) {
        close_board(made);
        sentence(why, why_size, "not enough memory");
        return result;
    }
    *board = made;
    return 0;
}

static int describe(const struct board *board, struct board_description *description) {
    const struct packet_layout *packet = &board->file->packet;
    *description = (struct board_description){.inputs = packet->inputs,
                                              .rate_hz = board->rate_hz,
                                              .skew_s = (double)NAN,
                                              .dead_time_s = board->dead_time_s};
    for (size_t i = 0; i < packet->inputs; i++) {
        description->bits[i] = packet->value_bits;
        description->rail_low[i] = packet_layout_lowest(packet);
        description->rail_high[i] = packet_layout_highest(packet);
        description->volts_per_count[i] = (double)NAN;
    }
    board_file_describe(board->file, description);
    return 0;
}

/* ---- commands ---- */

/* The request with {rate} and {block} as they are set; how long it is. */
static size_t fill_in(const struct board *board, const struct board_request *request,
                      char text[BOARD_BYTES_MAX]) {
    size_t used = 0;
    for (size_t i = 0; i < request->count && used + 24 < BOARD_BYTES_MAX;) {
        const char *at = (const char *)request->data + i;
        size_t left = request->count - i;
        if (request->text && left >= 6 && memcmp(at, "{rate}", 6) == 0) {
            used += (size_t)snprintf(text + used, 24, "%.9g", board->rate_hz);
            i += 6;
        } else if (request->text && left >= 7 && memcmp(at, "{block}", 7) == 0) {
            used += (size_t)snprintf(text + used, 24, "%zu", board->block);
            i += 7;
        } else {
            text[used++] = *at;
            i++;
        }
    }
    return used;
}

static int send_all(struct board *board, const struct board_requests *requests) {
    int result = 0;
    for (size_t i = 0; i < requests->count && result == 0; i++) {
        char text[BOARD_BYTES_MAX];
        size_t count = fill_in(board, &requests->request[i], text);
        result = usb_tmc_send(board->tmc, (const uint8_t *)text, count, SEND_MS);
        if (result < 0 && result != -ENODEV)
            sentence(
                board->why, sizeof board->why,
                "the board does not take the command \"%.*s\": look at start and ask of its board "
                "file",
                (int)strcspn(text, "\n"), text);
    }
    return result;
}

static int start(struct board *board, struct board_bytes *request) {
    struct usb_device device;
    request->count = 0;
    usb_tmc_close(board->tmc);
    board->tmc = NULL;
    board->asked = board->any = false;
    board->failures = 0;
    board->why[0] = '\0';
    memset(board->lost, 0, sizeof board->lost);
    int result = usb_devices_find(board->file->ids, board->device, &device);
    if (result == 0)
        result = usb_tmc_open(device.node, &board->file->usb, &board->tmc);
    if (result == 0)
        result = send_all(board, &board->file->start);
    if (result < 0) {
        usb_tmc_close(board->tmc);
        board->tmc = NULL;
    }
    return result;
}

static int stop(struct board *board, struct board_bytes *request) {
    request->count = 0;
    if (board->tmc)
        (void)send_all(board, &board->file->stop);
    usb_tmc_close(board->tmc);
    board->tmc = NULL;
    return 0;
}

/* ---- blocks ---- */

/* Scans of the block in the message, into board->counts; or -EBADMSG. */
static int read_block(struct board *board) {
    const struct packet_layout *packet = &board->file->packet;
    struct packet_check_table table;
    size_t begin, length;
    if (tmc_read_block(board->message, board->used, &begin, &length) < 0 || length == 0 ||
        length % packet->size || length > board->size - BLOCK_HEAD)
        return -EBADMSG;
    packet_check_fill(packet->check, &table);
    for (size_t i = 0; i < length / packet->size; i++) {
        const uint8_t *at = board->message + begin + i * packet->size;
        if (!packet_layout_begins(packet, at) || !packet_layout_checks(packet, &table, at))
            return -EBADMSG;
        packet_layout_counts(packet, at, board->counts + i * packet->scans * packet->inputs);
    }
    return (int)(length / packet->size * packet->scans);
}

/* What lies between the block before and this one: lost blocks, and else dead time. */
static void tell_pause(struct board *board, uint64_t gap) {
    for (size_t i = 0; i < BOARD_LOSSES; i++) {
        uint64_t scans = board->lost[i];
        if (scans)
            board->sinks.loss(board->sinks.context, (enum board_loss)i, scans);
        board->position += scans;
        gap -= scans < gap ? scans : gap;
    }
    if (gap)
        board->sinks.loss(board->sinks.context, BOARD_LOSS_DEAD_TIME, gap);
    board->position += gap;
}

/* The block's last scan was now: its place on the axis follows from the clock. */
static void hand_over(struct board *board, size_t scans) {
    double length_ns = (double)scans / board->rate_hz * (double)SECOND_NS;
    int64_t begin_ns = poll_clock_ns() - llround(length_ns);
    if (!board->any) {
        board->first_ns = begin_ns;
        board->position = 0;
    } else {
        double place = (double)(begin_ns - board->first_ns) * board->rate_hz / (double)SECOND_NS;
        double gap = round(place - (double)board->position);
        tell_pause(board, gap > 0 ? (uint64_t)gap : 0);
    }
    memset(board->lost, 0, sizeof board->lost);
    board->sinks.samples(board->sinks.context, board->counts, scans);
    board->position += scans;
    board->any = true;
}

/* The block will not come: it is lost, and the device made to forget it. 0, or why not to go on. */
static int give_up(struct board *board, int error) {
    board->asked = false;
    board->lost[error == -ETIMEDOUT ? BOARD_LOSS_NO_ANSWER
                : error == -EPIPE   ? BOARD_LOSS_REFUSED
                                    : BOARD_LOSS_DAMAGED] += board->any ? board->block : 0;
    sentence(
        board->why, sizeof board->why, "%s",
        error == -ETIMEDOUT ? "the board does not send the block that it was asked for: look at "
                              "ask, block and answer of its board file"
        : error == -EPIPE   ? "the board refuses to send the block (stall): look at ask of its "
                              "board file"
                            : "what comes is no whole block of such packets: look at [packet] and "
                              "block of its board file");
    int result = usb_tmc_clear(board->tmc);
    if (result == 0 && ++board->failures == FAILURES_MAX)
        result = error;
    return result;
}

static int take_message(struct board *board) {
    int scans = read_block(board);
    if (scans < 0)
        return give_up(board, scans);
    board->asked = false;
    board->failures = 0;
    board->why[0] = '\0';
    hand_over(board, (size_t)scans);
    return scans;
}

static int ask(struct board *board) {
    int result = send_all(board, &board->file->ask);
    board->asked = result == 0;
    board->asked_ns = poll_clock_ns();
    board->used = 0;
    return result == 0 || result == -ENODEV ? result : give_up(board, result);
}

static int fetch(struct board *board, int deadline_ms) {
    int64_t until = poll_clock_ns() + deadline_ms * MILLISECOND_NS;
    if (!board->tmc)
        return -ENODEV;
    int result = board->asked ? 0 : ask(board);
    for (int64_t now; result == 0 && board->asked && (now = poll_clock_ns()) < until;) {
        bool end = false;
        int count = usb_tmc_receive(board->tmc, board->message + board->used,
                                    (int)((until - now) / MILLISECOND_NS), &end);
        if (count == -ENODEV)
            return count;
        if (count < 0)
            return give_up(board, count);
        board->used += (size_t)count;
        if (end)
            return take_message(board);
        if (board->used > board->size)
            return give_up(board, -EBADMSG);
        if (now - board->asked_ns > board->answer_ns)
            return give_up(board, -ETIMEDOUT);
    }
    return result;
}

static const char *explain(const struct board *board) {
    return board->why;
}

const struct board_driver board_driver_usb_tmc = {
    .interface = BOARD_INTERFACE,
    .name = "usb-tmc",
    .summary = "burst boards of the USB test and measurement class, as a board file describes them",
    .shape = BOARD_POLL,
    .bus = BOARD_USB,
    .maturity = BOARD_TRIED_ON_FAKES_ONLY,
    .options = options,
    .silence_limit_s = 5,
    .open = open_board,
    .describe = describe,
    .start = start,
    .fetch = fetch,
    .explain = explain,
    .stop = stop,
    .close = close_board,
};
