// SPDX-License-Identifier: Apache-2.0
/*
 * port_thread.c - keeps a board's port open: finds it, opens it, reads it, notices that it has
 * gone or fallen silent, closes it at once, and tries again for ever.
 *
 * It never touches driver, codec or disk: whatever it does besides reading is time in which the
 * kernel's small buffer overflows.
 */
#include "intake_board.h"

#include "board_file.h"
#include "board_port.h"
#include "monotonic.h"
#include "timebase.h"

#include <errno.h>

#define SECOND_NS        1000000000
#define BACKOFF_FIRST_NS (SECOND_NS / 4)
#define BACKOFF_MAX_NS   (5ll * SECOND_NS)
#define RIGHTS_GRACE_NS  (3ll * SECOND_NS) /* udev sets group and mode a little after the node */
#define READ_WAIT_MS     100
#define SEND_WAIT_MS     200

#define FAILURES_RESET 2 /* opened again once without help: then what a board file allows */

struct connection {
    struct intake_board *board;
    struct transport *transport;
    char name[256];    /* of the device, for messages */
    unsigned failures; /* in a row: open, but silent or failing */
    int last_error;    /* what was last said of the port; 0: it was open */
    int64_t rights_since_ns;
    int64_t backoff_ns;
};

/* Raises a barrier and waits until the pipeline has passed it. */
static void raise_barrier(struct intake_board *board, enum barrier barrier) {
    pthread_mutex_lock(&board->mutex);
    while (atomic_load(&board->barrier) != BARRIER_NONE && !board->finished)
        pthread_cond_wait(&board->changed, &board->mutex);
    atomic_store(&board->barrier, barrier);
    byte_ring_wake(board->byte_ring);
    while (atomic_load(&board->barrier) != BARRIER_NONE && !board->finished)
        pthread_cond_wait(&board->changed, &board->mutex);
    pthread_mutex_unlock(&board->mutex);
}

static void show_transport(struct connection *connection, struct transport *transport) {
    pthread_mutex_lock(&connection->board->mutex);
    connection->board->transport = transport;
    pthread_mutex_unlock(&connection->board->mutex);
}

/* Says why the port cannot be opened; the same reason once. */
static void say_failure(struct connection *connection, int error) {
    char why[224];
    int64_t now = monotonic_ns();
    if (error != -EACCES)
        connection->rights_since_ns = 0;
    else if (connection->rights_since_ns == 0)
        connection->rights_since_ns = now;
    if (error == -EACCES && connection->last_error == -ENOENT &&
        now - connection->rights_since_ns < RIGHTS_GRACE_NS)
        return;
    if (error == connection->last_error)
        return;
    connection->last_error = error;
    board_port_explain(connection->board->hookup, error, why, sizeof why);
    intake_board_say(connection->board, INTAKE_WAITING, "%s", why);
}

static bool connect_port(struct connection *connection) {
    const struct hookup_board *hookup = connection->board->hookup;
    const struct board_file *file = hookup->settings.file;
    bool reset = file != NULL && file->reset == BOARD_RESET_LAST_RESORT &&
                 connection->failures >= FAILURES_RESET;
    char serial[BOARD_PORT_SERIAL];
    int result = board_port_open(hookup, reset, &connection->transport, serial);
    if (result < 0) {
        say_failure(connection, result);
        return false;
    }
    show_transport(connection, connection->transport);
    connection->last_error = 0;
    board_swap_notice(connection->board, serial);
    const char *remark = transport_remark(connection->transport);
    if (remark[0] != '\0')
        intake_board_say(connection->board, INTAKE_OPENING, "%s: %s", connection->name, remark);
    return true;
}

/* At once: while the descriptor is held, the device may come back under another number. */
static void close_port(struct connection *connection) {
    show_transport(connection, NULL);
    transport_close(connection->transport);
    connection->transport = NULL;
}

static int send_outbox(struct connection *connection) {
    struct board_bytes request;
    pthread_mutex_lock(&connection->board->mutex);
    request = connection->board->outbox;
    connection->board->outbox.count = 0;
    pthread_mutex_unlock(&connection->board->mutex);
    if (request.count == 0)
        return 0;
    int result = transport_write(connection->transport, request.byte, request.count, SEND_WAIT_MS);
    /* Boards that only talk need no request; a lost one is asked again. */
    return result == -ENODEV ? result : 0;
}

/* Opening may have reset the board: what it says while it boots is none of its scans. */
static int wait_for_boot(struct connection *connection) {
    const struct hookup_board *hookup = connection->board->hookup;
    double delay_s = board_boot_delay_s(hookup->driver, &hookup->settings);
    int64_t until = monotonic_ns() + (int64_t)(delay_s * SECOND_NS);
    for (int64_t left; (left = until - monotonic_ns()) > 0;) {
        if (intake_board_stopping(connection->board))
            break;
        int wait_ms = left < READ_WAIT_MS * 1000000ll ? (int)(left / 1000000) + 1 : READ_WAIT_MS;
        int result = transport_read(connection->transport, connection->board->port_bytes,
                                    WRITE_BYTES_MAX, wait_ms);
        if (result < 0)
            return result;
    }
    return 0;
}

/*
 * Into the byte ring. Where it is full the pipeline is a whole second late: then all bytes are
 * dropped until it has caught up, so that the hole has one clear place. False where they were.
 */
static bool hand_on(struct intake_board *board, size_t count, int64_t arrival_ns) {
    atomic_fetch_add(&board->bytes, count);
    if (atomic_load(&board->barrier) == BARRIER_NONE &&
        byte_ring_write(board->byte_ring, board->port_bytes, count, arrival_ns) == 0)
        return true;
    atomic_fetch_add(&board->bytes_dropped, count);
    pthread_mutex_lock(&board->mutex);
    if (atomic_load(&board->barrier) == BARRIER_NONE)
        atomic_store(&board->barrier, BARRIER_OVERFLOWED);
    pthread_mutex_unlock(&board->mutex);
    byte_ring_wake(board->byte_ring);
    return false;
}

/* Nothing on the wire shows where a packet begins: after a hole only a new start does. */
static bool needs_new_start(const struct intake_board *board) {
    const struct board_file *file = board->hookup->settings.file;
    return file != NULL && file->packet.size > 0 && !packet_layout_finds_itself(&file->packet);
}

/* Reads until the port has gone (-ENODEV ...), is silent (-ETIMEDOUT), must be opened anew (-EPIPE,
 * -EIO), or intake stops (0). */
static int read_port(struct connection *connection) {
    struct intake_board *board = connection->board;
    double limit_s = board_silence_limit_s(board->hookup->driver, &board->hookup->settings);
    int64_t last_bytes = monotonic_ns(), last_overruns = last_bytes;
    while (!intake_board_stopping(board)) {
        int result = send_outbox(connection);
        if (result < 0)
            return result;
        result =
            transport_read(connection->transport, board->port_bytes, WRITE_BYTES_MAX, READ_WAIT_MS);
        if (result == -EPIPE && !needs_new_start(board)) {
            raise_barrier(board, BARRIER_HOLE);
            continue;
        }
        if (result < 0)
            return result;
        int64_t now = monotonic_ns();
        if (result > 0) {
            if (!hand_on(board, (size_t)result, timebase_elapsed_ns(board->intake->timebase)) &&
                needs_new_start(board))
                return -EPIPE;
            last_bytes = now;
        } else if (limit_s > 0.0 && (double)(now - last_bytes) > limit_s * SECOND_NS) {
            return -ETIMEDOUT;
        }
        if (now - last_overruns >= SECOND_NS) {
            atomic_fetch_add(&board->overruns, transport_overruns(connection->transport));
            last_overruns = now;
        }
    }
    return 0;
}

/* Why an open port is open no longer. */
static void say_end(struct connection *connection, int result) {
    struct intake_board *board = connection->board;
    const struct hookup_board *hookup = board->hookup;
    connection->failures += result == -ETIMEDOUT || result == -EIO;
    if (result == -ETIMEDOUT) {
        intake_board_say(board, INTAKE_SILENT,
                         "%s is open but nothing has come for %g s: opening it again; check the "
                         "board's power, cable and program",
                         connection->name,
                         board_silence_limit_s(hookup->driver, &hookup->settings));
    } else if (hookup->driver->bus == BOARD_USB && result == -EIO) {
        intake_board_say(board, INTAKE_SILENT,
                         "the transfers of %s keep failing: opening it again; check cable, hub and "
                         "power",
                         connection->name);
    } else if (result == -EPIPE) {
        intake_board_say(board, INTAKE_WAITING,
                         "bytes of %s are missing and its packets have no header: starting it anew",
                         connection->name);
    } else {
        intake_board_say(board, INTAKE_WAITING,
                         "%s has gone (unplugged, or its power is off): waiting for it to come "
                         "back",
                         connection->name);
        connection->last_error = -ENOENT; /* that it is not there needs no saying again */
    }
}

/* From an open port to a lost one. */
static void serve(struct connection *connection) {
    struct intake_board *board = connection->board;
    atomic_store(&board->streaming, false);
    pthread_mutex_lock(&board->mutex);
    board->outbox.count = 0; /* meant for the connection before */
    pthread_mutex_unlock(&board->mutex);
    int result = wait_for_boot(connection);
    if (result == 0) {
        raise_barrier(board, BARRIER_CONNECTED);
        result = read_port(connection);
    }
    if (intake_board_stopping(board))
        return; /* the port stays open for the last request */
    close_port(connection);
    raise_barrier(board, BARRIER_LOST);
    say_end(connection, result);
}

/* A device that is missing may come at any moment, and udev says when. One that fails is left alone
 * for a while: closing it makes news of its own. */
static void wait_to_try_again(struct connection *connection) {
    int error = connection->last_error;
    if (error != -ENOENT && error != -EACCES && error != -ENOTUNIQ) {
        intake_board_pause(connection->board, connection->backoff_ns);
    } else if (arrival_wait(connection->board->arrival, (int)(connection->backoff_ns / 1000000))) {
        connection->backoff_ns = BACKOFF_FIRST_NS;
        return;
    }
    connection->backoff_ns =
        2 * connection->backoff_ns < BACKOFF_MAX_NS ? 2 * connection->backoff_ns : BACKOFF_MAX_NS;
}

void *port_thread(void *intake_board) {
    struct intake_board *board = intake_board;
    struct connection connection = {.board = board, .backoff_ns = BACKOFF_FIRST_NS};
    board_port_name(board->hookup, connection.name, sizeof connection.name);
    while (!intake_board_stopping(board)) {
        if (connect_port(&connection))
            serve(&connection);
        if (intake_board_stopping(board))
            break;
        /* Only a port that scans came from is a success: one that opens and fails at once, or
         * stays silent, waits longer each time. */
        if (atomic_exchange(&board->streaming, false)) {
            connection.backoff_ns = BACKOFF_FIRST_NS;
            connection.failures = 0;
        }
        wait_to_try_again(&connection);
    }
    raise_barrier(board, BARRIER_STOPPING);
    if (connection.transport != NULL)
        (void)send_outbox(&connection);
    close_port(&connection);
    return NULL;
}
