// SPDX-License-Identifier: Apache-2.0
/*
 * intake_board.c - what the two threads of a board and its owner share: state, outbox, waiting.
 */
#include "intake_board.h"

#include "board_file.h"
#include "monotonic.h"
#include "pipeline.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

/* A USB port is faster than the baud it is told. */
#define BYTES_PER_S_LEAST 1000000.0

static int init_locks(struct intake_board *board) {
    pthread_condattr_t attributes;
    if (pthread_mutex_init(&board->mutex, NULL) != 0)
        return -ENOMEM;
    pthread_condattr_init(&attributes);
    pthread_condattr_setclock(&attributes, CLOCK_MONOTONIC);
    int result = pthread_cond_init(&board->changed, &attributes);
    pthread_condattr_destroy(&attributes);
    return -result;
}

static int make_port(struct intake_board *board) {
    const struct hookup_board *hookup = board->hookup;
    double baud = hookup->baud;
    if (baud <= 0.0)
        baud = board_setting_number(hookup->driver, &hookup->settings, "baud", 0.0);
    double rate_hz = board_setting_number(hookup->driver, &hookup->settings, "rate", 0.0);
    double bytes_per_s = fmax(baud / 10.0, BYTES_PER_S_LEAST);
    bytes_per_s = fmax(bytes_per_s, board_file_bytes_per_s(hookup->settings.file, rate_hz));
    double size = fmax(bytes_per_s * board->intake->settings.byte_ring_s, 4.0 * WRITE_BYTES_MAX);
    if (arrival_new(&board->arrival) < 0)
        return -ENOMEM;
    board->port_bytes = malloc(WRITE_BYTES_MAX);
    if (board->port_bytes == NULL)
        return -ENOMEM;
    return byte_ring_new((size_t)size, &board->byte_ring);
}

int intake_board_init(struct intake_board *board, struct intake *intake, size_t index) {
    board->intake = intake;
    board->index = index;
    board->hookup = &intake->hookup->boards[index];
    board->finished = true;
    board->status.board = board->hookup->name;
    board->status.state = INTAKE_WAITING;
    int result = init_locks(board);
    if (result == 0 && board->hookup->driver->shape == BOARD_STREAM)
        result = make_port(board);
    if (result == 0)
        result = pipeline_new(board, &board->pipeline);
    return result;
}

void intake_board_done(struct intake_board *board) {
    if (board->intake == NULL)
        return;
    pipeline_free(board->pipeline);
    byte_ring_free(board->byte_ring);
    arrival_free(board->arrival);
    free(board->port_bytes);
    pthread_cond_destroy(&board->changed);
    pthread_mutex_destroy(&board->mutex);
}

void intake_board_say(struct intake_board *board, enum intake_board_state state, const char *format,
                      ...) {
    char text[sizeof board->said];
    va_list arguments;
    va_start(arguments, format);
    (void)vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);

    pthread_mutex_lock(&board->mutex);
    bool news = board->status.state != state || strcmp(board->said, text) != 0;
    board->status.state = state;
    memcpy(board->said, text, sizeof text);
    memcpy(board->status.why, state == INTAKE_STREAMING ? "" : text,
           state == INTAKE_STREAMING ? 1 : sizeof text);
    pthread_cond_broadcast(&board->changed);
    pthread_mutex_unlock(&board->mutex);

    const struct intake_tap *tap = &board->intake->tap;
    if (news && tap->event != NULL) {
        char whole[sizeof text + 128];
        (void)snprintf(whole, sizeof whole, "board %s: %s", board->hookup->name, text);
        tap->event(tap->context, board->index, state, whole);
    }
}

void intake_board_send(struct intake_board *board, const struct board_bytes *request) {
    if (request->count == 0)
        return;
    pthread_mutex_lock(&board->mutex);
    board->outbox = *request;
    if (board->transport != NULL)
        transport_interrupt(board->transport);
    pthread_mutex_unlock(&board->mutex);
}

void intake_board_pause(struct intake_board *board, int64_t ns) {
    int64_t until = monotonic_ns() + ns;
    const struct timespec deadline = {(time_t)(until / 1000000000), (long)(until % 1000000000)};
    pthread_mutex_lock(&board->mutex);
    while (!intake_board_stopping(board) && monotonic_ns() < until)
        (void)pthread_cond_timedwait(&board->changed, &board->mutex, &deadline);
    pthread_mutex_unlock(&board->mutex);
}

bool intake_board_stopping(const struct intake_board *board) {
    return atomic_load(&board->intake->stopping);
}

enum intake_board_state intake_board_state(struct intake_board *board) {
    pthread_mutex_lock(&board->mutex);
    enum intake_board_state state = board->status.state;
    pthread_mutex_unlock(&board->mutex);
    return state;
}
