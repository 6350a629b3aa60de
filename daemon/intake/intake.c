// SPDX-License-Identifier: Apache-2.0
/*
 * intake.c - all boards together: made, started, asked, stopped.
 */
#include "intake.h"

#include "intake_board.h"
#include "monotonic.h"
#include "pipeline.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

const char *intake_board_state_name(enum intake_board_state state) {
    static const char *const names[] = {"waiting",  "opening", "streaming", "silent",
                                        "nonsense", "ended",   "refused"};
    return (size_t)state < sizeof names / sizeof names[0] ? names[state] : "unknown";
}

int intake_new(struct hookup *hookup, struct memory_ring *memory, struct timebase *timebase,
               const struct intake_tap *tap, const struct intake_settings *settings,
               struct intake **intake) {
    struct intake *made = calloc(1, sizeof *made);
    if (made == NULL)
        return -ENOMEM;
    made->hookup = hookup;
    made->memory = memory;
    made->timebase = timebase;
    made->tap = *tap;
    made->settings = *settings;
    pthread_rwlock_init(&made->fitting, NULL);
    made->boards = calloc(hookup->board_count > 0 ? hookup->board_count : 1, sizeof *made->boards);
    int result = made->boards != NULL ? 0 : -ENOMEM;
    while (result == 0 && made->board_count < hookup->board_count) {
        result = intake_board_init(&made->boards[made->board_count], made, made->board_count);
        made->board_count++;
    }
    if (result < 0) {
        intake_free(made);
        return result;
    }
    *intake = made;
    return 0;
}

void intake_free(struct intake *intake) {
    if (intake == NULL)
        return;
    intake_stop(intake);
    for (size_t i = 0; i < intake->board_count; i++)
        intake_board_done(&intake->boards[i]);
    free(intake->boards);
    pthread_rwlock_destroy(&intake->fitting);
    free(intake);
}

static int start_board(struct intake_board *board) {
    bool stream = board->byte_ring != NULL;
    if (board->pipeline->refusal[0] != '\0') {
        intake_board_say(board, INTAKE_REFUSED, "%s", board->pipeline->refusal);
        return 0;
    }
    board->finished = false;
    int result = pthread_create(&board->pipeline_thread, NULL,
                                stream ? pipeline_stream : pipeline_poll, board);
    board->pipeline_started = result == 0;
    if (result == 0 && stream) {
        result = pthread_create(&board->port_thread, NULL, port_thread, board);
        board->port_started = result == 0;
        if (result != 0) /* nobody else would ever end the pipeline */
            atomic_store(&board->barrier, BARRIER_STOPPING);
    }
    return -result;
}

int intake_start(struct intake *intake) {
    int result = 0;
    for (size_t i = 0; result == 0 && i < intake->board_count; i++)
        result = start_board(&intake->boards[i]);
    if (result < 0)
        intake_stop(intake);
    return result;
}

void intake_stop(struct intake *intake) {
    atomic_store(&intake->stopping, true);
    for (size_t i = 0; i < intake->board_count; i++) {
        struct intake_board *board = &intake->boards[i];
        pthread_mutex_lock(&board->mutex);
        if (board->transport != NULL)
            transport_interrupt(board->transport);
        pthread_cond_broadcast(&board->changed);
        pthread_mutex_unlock(&board->mutex);
        if (board->byte_ring != NULL)
            byte_ring_wake(board->byte_ring);
        if (board->arrival != NULL)
            arrival_interrupt(board->arrival);
    }
    for (size_t i = 0; i < intake->board_count; i++) {
        struct intake_board *board = &intake->boards[i];
        if (board->port_started)
            pthread_join(board->port_thread, NULL);
        if (board->pipeline_started)
            pthread_join(board->pipeline_thread, NULL);
        board->port_started = false;
        board->pipeline_started = false;
    }
}

/* Asks the pipeline to close its block; returns the number of that wish. */
static uint64_t ask_flush(struct intake_board *board) {
    uint64_t wish = atomic_fetch_add(&board->flush_wanted, 1) + 1;
    if (board->byte_ring != NULL)
        byte_ring_wake(board->byte_ring);
    return wish;
}

void intake_urgent(struct intake *intake, bool urgent) {
    atomic_store(&intake->urgent, urgent);
    for (size_t i = 0; i < intake->board_count; i++)
        (void)ask_flush(&intake->boards[i]);
}

static int wait_for_flush(struct intake_board *board, uint64_t wish, int64_t until_ns) {
    const struct timespec deadline = {(time_t)(until_ns / 1000000000),
                                      (long)(until_ns % 1000000000)};
    int result = 0;
    pthread_mutex_lock(&board->mutex);
    while (board->flush_done < wish && !board->finished && result != ETIMEDOUT)
        result = pthread_cond_timedwait(&board->changed, &board->mutex, &deadline);
    bool done = board->flush_done >= wish || board->finished;
    pthread_mutex_unlock(&board->mutex);
    return done ? 0 : -ETIMEDOUT;
}

int intake_flush(struct intake *intake, int timeout_ms) {
    int64_t until_ns = monotonic_ns() + timeout_ms * 1000000ll;
    int result = 0;
    /* All are asked before the first is waited for. Wishes only grow: a later one serves too. */
    for (size_t i = 0; i < intake->board_count; i++)
        (void)ask_flush(&intake->boards[i]);
    for (size_t i = 0; i < intake->board_count; i++) {
        struct intake_board *board = &intake->boards[i];
        int board_result = wait_for_flush(board, atomic_load(&board->flush_wanted), until_ns);
        if (board_result < 0)
            result = board_result;
    }
    return result;
}

void intake_hold_hookup(struct intake *intake) {
    pthread_rwlock_rdlock(&intake->fitting);
}

void intake_release_hookup(struct intake *intake) {
    pthread_rwlock_unlock(&intake->fitting);
}

/* Each pipeline fits the hookup to its board again, in its own time. */
static void refit_all(struct intake *intake) {
    for (size_t i = 0; i < intake->board_count; i++) {
        atomic_store(&intake->boards[i].refit, true);
        if (intake->boards[i].byte_ring != NULL)
            byte_ring_wake(intake->boards[i].byte_ring);
    }
}

int intake_calibrate(struct intake *intake, const struct calibration *calibrations, size_t count) {
    pthread_rwlock_wrlock(&intake->fitting);
    int result = hookup_calibrate(intake->hookup, calibrations, count);
    pthread_rwlock_unlock(&intake->fitting);
    if (result == 0)
        refit_all(intake);
    return result;
}

int intake_exchange_hookup(struct intake *intake, struct hookup *fresh, struct problems *problems,
                           int (*exchange)(void *context), void *context) {
    struct board_description description;
    int result = 0;
    pthread_rwlock_wrlock(&intake->fitting);
    for (size_t i = 0; result == 0 && i < intake->board_count; i++)
        if (intake_description(intake, i, &description))
            result = hookup_fit_board(fresh, i, &description, problems);
    if (result == 0)
        result = exchange(context);
    if (result == 0)
        intake->hookup = fresh;
    pthread_rwlock_unlock(&intake->fitting);
    if (result == 0)
        refit_all(intake);
    return result;
}

bool intake_description(struct intake *intake, size_t index,
                        struct board_description *description) {
    struct intake_board *board = &intake->boards[index];
    pthread_mutex_lock(&board->mutex);
    bool described = board->description.inputs > 0;
    if (described)
        *description = board->description;
    pthread_mutex_unlock(&board->mutex);
    return described;
}

size_t intake_boards(const struct intake *intake) {
    return intake->board_count;
}

void intake_status(struct intake *intake, size_t index, struct intake_status *status) {
    struct intake_board *board = &intake->boards[index];
    pthread_mutex_lock(&board->mutex);
    *status = board->status;
    memcpy(status->note, board->note, sizeof status->note);
    pthread_mutex_unlock(&board->mutex);
    status->bytes = atomic_load(&board->bytes);
    status->bytes_dropped = atomic_load(&board->bytes_dropped);
    status->overruns = atomic_load(&board->overruns);
    if (board->byte_ring != NULL) {
        status->byte_ring_fullest = byte_ring_fullest(board->byte_ring);
        status->byte_ring_size = byte_ring_size(board->byte_ring);
    }
}

static bool board_moves(struct intake_board *board) {
    uint64_t rounds = atomic_load(&board->rounds);
    pthread_mutex_lock(&board->mutex);
    bool moves = board->finished || rounds != board->rounds_seen;
    pthread_mutex_unlock(&board->mutex);
    return moves;
}

bool intake_moves(struct intake *intake) {
    for (size_t i = 0; i < intake->board_count; i++)
        if (!board_moves(&intake->boards[i]))
            return false;
    for (size_t i = 0; i < intake->board_count; i++)
        intake->boards[i].rounds_seen = atomic_load(&intake->boards[i].rounds);
    return true;
}

bool intake_ended(struct intake *intake) {
    for (size_t i = 0; i < intake->board_count; i++)
        if (intake_board_state(&intake->boards[i]) != INTAKE_ENDED)
            return false;
    return intake->board_count > 0;
}
