// SPDX-License-Identifier: Apache-2.0
/*
 * fakeboard.c - a board for people without one: plays a recording, a CSV or the simulator over a
 * pseudo-terminal, in the words of a real board, and misbehaves on command. See README.md.
 *
 * One thread and one loop: commands, requests, scans that are due, bytes that the port takes.
 */
#include "fakeboard.h"

#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define FREE_FILL     16384 /* of the queue, while running free or catching up */
#define CATCH_UP_S    5.0   /* behind by less: this computer was busy, not the reader */
#define TICK_MS       2
#define IDLE_MS       20
#define HOLD_S        0.03 /* no scan waits longer for its packet to fill */
#define DESCRIBE_S    1.0
#define LINGER_S      1.0 /* after the last byte, for the reader to fetch it */
#define LINGER_MOST_S 10.0

static volatile sig_atomic_t stopped;

static void on_signal(int number) {
    (void)number;
    stopped = 1;
}

static double now_s(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static double board_s(const struct fakeboard *board) {
    return (double)board->scan / board->source.rate_hz;
}

__attribute__((format(printf, 2, 3))) static void say(const struct fakeboard *board,
                                                      const char *format, ...) {
    va_list arguments;
    fprintf(stderr, "fakeboard: %.3f s: ", board_s(board));
    va_start(arguments, format);
    vfprintf(stderr, format, arguments);
    va_end(arguments);
    fputc('\n', stderr);
}

static uint32_t draw(struct fakeboard *board) {
    board->random ^= board->random << 13;
    board->random ^= board->random >> 7;
    board->random ^= board->random << 17;
    return (uint32_t)(board->random >> 16);
}

/* ---- bytes on their way to the port ---- */

static bool may_send(const struct fakeboard *board) {
    return now_s() >= board->stalled_until_s && port_has_reader(&board->port);
}

static void send_queue(struct fakeboard *board) {
    if (!board->queued || !may_send(board))
        return;
    size_t sent = port_write(&board->port, board->queue, board->queued);
    board->queued -= sent;
    memmove(board->queue, board->queue + sent, board->queued);
}

static void queue_bytes(struct fakeboard *board, const uint8_t *bytes, size_t count) {
    if (count > sizeof board->queue - board->queued)
        return;
    memcpy(board->queue + board->queued, bytes, count);
    board->queued += count;
}

static bool take_one(unsigned *left) {
    if (!*left)
        return false;
    --*left;
    return true;
}

/* A packet or line that holds `scans` scans up to the newest; faults befall it here. */
static void queue_scans(struct fakeboard *board, uint8_t *bytes, size_t count, unsigned scans) {
    uint32_t last = board->format.number - 1;
    if (!count)
        return;
    if (take_one(&board->drop)) {
        say(board, "dropped scans %u to %u", last + 1 - scans, last);
        return;
    }
    if (take_one(&board->corrupt)) {
        uint32_t bit = draw(board) % (8 * (uint32_t)(count - 1));
        bytes[bit / 8] ^= (uint8_t)(1u << bit % 8);
        say(board, "damaged scans %u to %u: bit %u of byte %u", last + 1 - scans, last, bit % 8,
            bit / 8);
    }
    queue_bytes(board, bytes, count);
    if (take_one(&board->duplicate)) {
        queue_bytes(board, bytes, count);
        say(board, "sent scans %u to %u twice", last + 1 - scans, last);
    }
}

static void queue_description(struct fakeboard *board) {
    uint8_t bytes[FORMAT_BYTES_MAX];
    size_t count = format_describe(&board->format, bytes);
    queue_bytes(board, bytes, count);
    board->described_s = now_s();
}

/* ---- scans ---- */

static bool has_room(const struct fakeboard *board) {
    return sizeof board->queue - board->queued > 4 * (size_t)FORMAT_BYTES_MAX;
}

static bool next_volts(struct fakeboard *board) {
    if (!board->ended && board->source.next(board->source.state, board->volts))
        return true;
    if (!board->ended) {
        board->ended = true;
        board->ended_s = now_s();
        say(board, "the recording ends%s",
            board->at_end == AT_END_HOLD ? "; the last values stay" : "");
        if (board->at_end == AT_END_HOLD && board->pace <= 0) { /* free would never end */
            board->pace = 1;
            board->begun_s = now_s() - board_s(board);
        }
    }
    return board->at_end == AT_END_HOLD;
}

/* One scan goes by: sent, dropped for want of room, or unheard. False at the end. */
static bool make_scan(struct fakeboard *board) {
    uint8_t bytes[FORMAT_BYTES_MAX];
    if (!next_volts(board))
        return false;
    unsigned held = format_held(&board->format);
    if (!board->streaming || !board->reader) {
        format_pass(&board->format);
    } else if (!has_room(board)) {
        size_t count = format_drop(&board->format, bytes);
        queue_bytes(board, bytes, count);
        board->overrun++;
    } else {
        if (board->overrun)
            say(board, "no room for %u scans: dropped", board->overrun);
        board->overrun = 0;
        if (!held)
            board->packet_begun_s = now_s();
        size_t count = format_scan(&board->format, board->volts, bytes);
        queue_scans(board, bytes, count, held + 1);
    }
    board->scan++;
    return true;
}

static void flush(struct fakeboard *board) {
    uint8_t bytes[FORMAT_BYTES_MAX];
    unsigned held = format_held(&board->format);
    size_t count = format_flush(&board->format, bytes);
    queue_scans(board, bytes, count, held);
}

static void run_command(struct fakeboard *board, const struct fault_command *command);

/*
 * False when a command is due but must wait: running free, all that was sent before it is to
 * arrive before it.
 */
static bool run_script(struct fakeboard *board) {
    for (const struct fault_command *command;
         (command = fault_script_due(&board->script, board_s(board)));) {
        if (board->pace <= 0 && board->queued)
            return false;
        board->script.next++;
        run_command(board, command);
    }
    return true;
}

static bool scan_is_due(const struct fakeboard *board, double now) {
    if (board->pace > 0)
        return (double)board->scan <= (now - board->begun_s) * board->source.rate_hz * board->pace;
    return board->streaming && board->reader && now >= board->stalled_until_s &&
           board->queued < FREE_FILL;
}

/* Much is due at once because this process had to wait: the port is to take it first. */
static bool must_send_first(const struct fakeboard *board, double now) {
    if (board->pace <= 0 || board->queued < FREE_FILL || !may_send(board))
        return false;
    return now - board->begun_s - board_s(board) / board->pace < CATCH_UP_S;
}

static void make_scans(struct fakeboard *board) {
    double now = now_s();
    while (!stopped && board->begun && scan_is_due(board, now) && !must_send_first(board, now)) {
        if (!run_script(board) || stopped || !scan_is_due(board, now) || !make_scan(board))
            break;
    }
    if (board->streaming && format_held(&board->format) &&
        (board->ended || (board->pace > 0 && now - board->packet_begun_s > HOLD_S)))
        flush(board);
}

/* ---- the reader ---- */

static void begin(struct fakeboard *board) {
    if (board->begun)
        return;
    board->begun = true;
    board->begun_s = now_s();
    say(board, "begins");
}

static void take_request(struct fakeboard *board, enum wire_request request) {
    switch (request) {
    case WIRE_REQUEST_DESCRIBE:
        queue_description(board);
        break;
    case WIRE_REQUEST_START:
        if (!board->streaming)
            queue_description(board);
        board->streaming = true;
        begin(board);
        break;
    case WIRE_REQUEST_STOP:
        flush(board);
        board->streaming = false;
        break;
    case WIRE_REQUEST_NONE:
        break;
    }
}

static void listen(struct fakeboard *board) {
    bool was_there = board->reader;
    board->reader = port_has_reader(&board->port);
    if (!board->reader) {
        if (was_there)
            say(board, "the reader has gone");
        board->queued = 0;
        return;
    }
    if (!was_there)
        say(board, "a reader is there");
    uint8_t bytes[256];
    for (size_t count; (count = port_read(&board->port, bytes, sizeof bytes));)
        for (size_t i = 0; i < count && board->format.kind == FORMAT_PACKET; i++)
            take_request(board, wire_decoder_byte(&board->decoder, bytes[i]));
    if (board->format.kind == FORMAT_TEXT) {
        board->streaming = true; /* it prints whether or not anyone asks */
        begin(board);
    } else if (board->streaming && (!board->ended || board->at_end == AT_END_HOLD) &&
               now_s() - board->described_s > DESCRIBE_S) {
        queue_description(board);
    }
}

/* ---- misbehaviour ---- */

static void babble(struct fakeboard *board, size_t count) {
    for (; count && board->queued < sizeof board->queue; count--)
        board->queue[board->queued++] = (uint8_t)draw(board);
}

static void restart(struct fakeboard *board) {
    board->format.board.boot_id = draw(board);
    board->streaming = false;
    (void)format_begin(&board->format, 0);
    if (board->format.kind == FORMAT_TEXT)
        queue_description(board);
}

static void run_command(struct fakeboard *board, const struct fault_command *command) {
    double amount = command->amount;
    switch (command->fault) {
    case FAULT_DROP:
        board->drop = (unsigned)amount;
        break;
    case FAULT_CORRUPT:
        board->corrupt = (unsigned)amount;
        break;
    case FAULT_DUPLICATE:
        board->duplicate = (unsigned)amount;
        break;
    case FAULT_STALL:
        say(board, "stalls for %g s", amount);
        board->stalled_until_s = now_s() + amount;
        break;
    case FAULT_BABBLE:
        say(board, "babbles %.0f bytes", amount);
        babble(board, (size_t)amount);
        break;
    case FAULT_VANISH:
        say(board, "vanishes for %g s", amount);
        port_close(&board->port);
        board->back_s = now_s() + amount;
        board->streaming = false;
        board->reader = false;
        board->queued = 0;
        break;
    case FAULT_RESTART:
        say(board, "restarts");
        restart(board);
        break;
    case FAULT_QUIT:
        say(board, "quits");
        stopped = 1;
        break;
    }
}

static int show_port(struct fakeboard *board) {
    if (port_open(&board->port, board->link) < 0)
        return -1;
    printf("%s\n", board->port.path);
    fflush(stdout);
    return 0;
}

/* ---- the loop ---- */

static void wait_a_little(const struct fakeboard *board) {
    bool wants_room = board->queued && may_send(board);
    struct pollfd port = {.fd = board->reader ? board->port.master : -1,
                          .events = (short)(POLLIN | (wants_room ? POLLOUT : 0))};
    (void)poll(&port, 1, board->begun && board->reader ? TICK_MS : IDLE_MS);
}

/* All is sent and the reader had time to fetch it. */
static bool is_over(struct fakeboard *board) {
    double now = now_s();
    if (!board->ended || board->at_end != AT_END_QUIT)
        return false;
    if (!board->queued && board->sent_s <= 0)
        board->sent_s = now;
    return (board->sent_s > 0 && now - board->sent_s > LINGER_S) ||
           now - board->ended_s > LINGER_MOST_S;
}

int fakeboard_run(struct fakeboard *board) {
    struct sigaction action = {.sa_handler = on_signal};
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    signal(SIGPIPE, SIG_IGN);
    if (format_begin(&board->format, board->first_scan) < 0) {
        fprintf(stderr, "fakeboard: no board can have %zu inputs of %u bits\n",
                board->source.inputs, board->format.board.bits);
        return -1;
    }
    if (show_port(board) < 0)
        return -1;
    while (!stopped && !is_over(board)) {
        struct fault_command command;
        wait_a_little(board);
        while (!stopped && fault_from_stdin(&command))
            run_command(board, &command);
        if (board->port.master < 0 && now_s() >= board->back_s && show_port(board) < 0)
            break;
        listen(board);
        make_scans(board);
        send_queue(board);
    }
    port_close(&board->port);
    return stopped || board->ended ? 0 : -1;
}
