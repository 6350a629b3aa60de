// SPDX-License-Identifier: Apache-2.0
/*
 * board_trial.c - opens a board, reads it for some seconds, and counts.
 */
#include "board_trial.h"

#include "ask.h"
#include "board_file.h"
#include "board_port.h"
#include "clock.h"
#include "monotonic.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SECOND_NS    1000000000
#define READ_BYTES   16384
#define READ_WAIT_MS 50
#define SEND_WAIT_MS 200
#define AGAIN_NS     SECOND_NS /* without a scan: a request may have been lost */
#define RATE_SCANS   20        /* fewer do not tell a rate */

struct running {
    const struct hookup_board *hookup;
    const struct board_driver *driver;
    struct trial *trial;
    struct board_record *record; /* or NULL */
    struct board *board;
    struct transport *transport; /* NULL: a poll board */
    struct intake_clock *clock;
    bool had_scans;
    int64_t arrival_ns, scans_ns; /* of the bytes just read; when scans came last */
    uint64_t counted;             /* scans and counted losses since the clock began */
    int64_t first_ns;
    double deviation[BOARD_INPUTS_MAX]; /* sum of squares about the mean */
};

/* ---- what the driver tells ---- */

/* Mean and squares as they come, without a difference of large sums: the recurrence of B. P.
 * Welford, "Note on a method for calculating corrected sums of squares and products" (1962). */
static void take_count(struct running *running, size_t input, double count, uint64_t number) {
    struct trial_input *level = &running->trial->input[input];
    const struct board_description *description = &running->trial->description;
    double apart = count - level->mean;
    level->mean += apart / (double)number;
    running->deviation[input] += apart * (count - level->mean);
    level->lowest = number == 1 ? count : fmin(level->lowest, count);
    level->highest = number == 1 ? count : fmax(level->highest, count);
    if (description->rail_low[input] > description->rail_high[input])
        return;
    level->railed_low = level->lowest <= description->rail_low[input];
    level->railed_high = level->highest >= description->rail_high[input];
}

static void on_samples(void *context, const int32_t *counts, size_t scans) {
    struct running *running = context;
    struct trial *trial = running->trial;
    size_t inputs = trial->description.inputs;
    for (size_t scan = 0; scan < scans; scan++) {
        trial->scans++;
        for (size_t input = 0; input < inputs; input++)
            take_count(running, input, counts[scan * inputs + input], trial->scans);
    }
    running->counted += scans;
    running->had_scans = true;
}

static void on_loss(void *context, enum board_loss reason, uint64_t scans) {
    struct running *running = context;
    struct trial *trial = running->trial;
    if (scans != BOARD_LOSS_UNKNOWN) {
        trial->scans_lost += scans;
        trial->losses[reason] += scans;
        running->counted += scans;
        return;
    }
    trial->losses_unknown++;
    running->counted = 0;
    intake_clock_restart(running->clock);
}

/* A board that tells another number of inputs than before is measured from here on. */
static void describe(struct running *running) {
    struct trial *trial = running->trial;
    struct board_description told;
    if (running->driver->describe(running->board, &told) < 0)
        return;
    if (trial->described && told.inputs != trial->description.inputs)
        trial->scans = 0;
    trial->description = told;
    trial->described = true;
}

static void on_note(void *context, enum board_note note, int64_t value) {
    (void)value;
    if (note == BOARD_NOTE_DESCRIBED)
        describe(context);
}

/* ---- running it ---- */

static void told_scans(struct running *running) {
    if (!running->had_scans)
        return;
    running->had_scans = false;
    int64_t since = running->arrival_ns - running->scans_ns;
    if (running->scans_ns && (uint64_t)since > running->trial->longest_ns)
        running->trial->longest_ns = (uint64_t)since;
    running->scans_ns = running->arrival_ns;
    intake_clock_arrived(running->clock, running->counted, running->arrival_ns);
}

static int send(struct running *running, const struct board_bytes *request) {
    if (!running->transport || request->count == 0)
        return 0;
    int result = transport_write(running->transport, request->byte, request->count, SEND_WAIT_MS);
    return result == -ENODEV ? result : 0; /* boards that only talk take nothing */
}

static int begin_anew(struct running *running) {
    struct board_bytes request = {0};
    int result = running->driver->start(running->board, &request);
    if (result == 0 && !running->trial->described)
        describe(running);
    return result < 0 ? result : send(running, &request);
}

static int ask_again(struct running *running, int64_t *asked_ns) {
    struct board_bytes request = {0};
    int64_t since = running->scans_ns > *asked_ns ? running->scans_ns : *asked_ns;
    if (!running->driver->again || monotonic_ns() - since < AGAIN_NS)
        return 0;
    *asked_ns = monotonic_ns();
    return running->driver->again(running->board, &request) == 0 ? send(running, &request) : 0;
}

/* Bytes did not arrive: the transport goes on behind them. */
static int pass_hole(struct running *running) {
    running->trial->transfers_lost++;
    if (running->record)
        board_record_hole(running->record);
    if (!running->driver->hole)
        return begin_anew(running);
    running->driver->hole(running->board);
    return 0;
}

static void take_bytes(struct running *running, const uint8_t *bytes, size_t count) {
    struct trial *trial = running->trial;
    size_t room = sizeof trial->first - trial->first_count;
    size_t part = count < room ? count : room;
    memcpy(trial->first + trial->first_count, bytes, part);
    trial->first_count += part;
    trial->bytes += count;
    if (running->record)
        board_record_add(running->record, bytes, count);
    enum board_result result = running->driver->consume(running->board, bytes, count);
    if (result < BOARD_RESULTS)
        trial->results[result]++;
}

static int read_once(struct running *running) {
    static uint8_t bytes[READ_BYTES];
    int result = transport_read(running->transport, bytes, sizeof bytes, READ_WAIT_MS);
    running->arrival_ns = monotonic_ns();
    if (result == -EPIPE)
        return pass_hole(running);
    if (result > 0)
        take_bytes(running, bytes, (size_t)result);
    return result < 0 ? result : 0;
}

static int fetch_once(struct running *running) {
    int result = running->driver->fetch(running->board, READ_WAIT_MS);
    running->arrival_ns = monotonic_ns();
    running->trial->results[BOARD_OK] += result > 0;
    return result < 0 ? result : 0;
}

/* Opening may have reset the board: what it says while it boots is none of its scans. */
static int wait_for_boot(struct running *running) {
    uint8_t bytes[1024];
    double delay_s = board_boot_delay_s(running->driver, &running->hookup->settings);
    int64_t until = monotonic_ns() + (int64_t)(delay_s * SECOND_NS);
    while (running->transport && monotonic_ns() < until && !ask_interrupted()) {
        int result = transport_read(running->transport, bytes, sizeof bytes, READ_WAIT_MS);
        if (result < 0)
            return result;
    }
    return 0;
}

static int run(struct running *running, double seconds) {
    int64_t from = monotonic_ns(), asked = from;
    int64_t until = from + (int64_t)(seconds * SECOND_NS);
    int result = begin_anew(running);
    while (result == 0 && monotonic_ns() < until && !ask_interrupted()) {
        result = running->transport ? read_once(running) : fetch_once(running);
        told_scans(running);
        if (result == 0)
            result = ask_again(running, &asked);
    }
    running->trial->seconds = (double)(monotonic_ns() - from) / SECOND_NS;
    return result;
}

static void conclude(struct running *running) {
    struct trial *trial = running->trial;
    for (size_t i = 0; trial->scans > 1 && i < trial->description.inputs; i++)
        trial->input[i].noise = sqrt(running->deviation[i] / (double)(trial->scans - 1));
    if (trial->scans < RATE_SCANS || trial->seconds <= 0)
        return;
    trial->rate_hz = intake_clock_rate(running->clock);
    double claimed =
        trial->description.rate_hz > 0 ? trial->description.rate_hz : running->hookup->rate_hz;
    trial->claimed_hz = claimed;
    trial->ppm = claimed > 0 ? (trial->rate_hz / claimed - 1) * 1e6 : 0;
    trial->error_ppm = intake_clock_error_ns(running->clock) * 1e-3 / trial->seconds;
}

static void stop(struct running *running) {
    struct board_bytes request = {0};
    if (running->driver->stop && running->driver->stop(running->board, &request) == 0)
        (void)send(running, &request);
}

/* Driver and port, or why not. */
static int open_both(struct running *running) {
    struct trial *trial = running->trial;
    const struct board_sinks sinks = {running, on_samples, on_loss, on_note};
    int result = running->driver->open(&running->hookup->settings, &sinks, &running->board,
                                       trial->why, sizeof trial->why);
    if (result < 0 || running->driver->shape == BOARD_POLL)
        return result;
    result = board_port_open(running->hookup, false, &running->transport, NULL);
    if (result < 0)
        board_port_explain(running->hookup, result, trial->why, sizeof trial->why);
    return result;
}

/* Why it ended before its time: the driver's own sentence, else the port's. */
static void explain_end(struct running *running, int error) {
    struct trial *trial = running->trial;
    if (running->driver->explain)
        (void)snprintf(trial->why, sizeof trial->why, "%s",
                       running->driver->explain(running->board));
    if (!trial->why[0] && (running->transport || running->driver->bus == BOARD_SERIAL))
        board_port_explain(running->hookup, error, trial->why, sizeof trial->why);
}

int board_trial_run(const struct hookup_board *board, double seconds, struct board_record *record,
                    struct trial *trial) {
    struct running running = {
        .hookup = board, .driver = board->driver, .trial = trial, .record = record};
    if (record && board->driver->shape == BOARD_POLL)
        return -ENOTSUP;
    *trial = (struct trial){0};
    int result = intake_clock_new(0, &running.clock); /* the claim must not lead it */
    if (result == 0)
        result = open_both(&running);
    bool opened = result == 0;
    if (opened)
        result = wait_for_boot(&running);
    if (result == 0)
        result = run(&running, seconds);
    if (opened && result < 0)
        explain_end(&running, result);
    if (opened && result == 0)
        stop(&running);
    conclude(&running);
    transport_close(running.transport);
    if (running.board)
        board->driver->close(running.board);
    intake_clock_free(running.clock);
    return result;
}
