// SPDX-License-Identifier: Apache-2.0
/*
 * intake_helper.c - see intake_helper.h.
 */
#include "intake_helper.h"
#include "cmocka_helper.h"

#include "codec.h"
#include "record.h"

#include <errno.h>
#include <fcntl.h>
#include <pty.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define PLAY_PAUSE_NS 2000000
#define PLAY_PATIENCE 15000 /* pauses: half a minute */

/* ---- the tap ---- */

static void on_run(void *context, const struct record_run *run) {
    struct rig *rig = context;
    pthread_mutex_lock(&rig->mutex);
    struct told *told = &rig->told[run->stream];
    told->scans += run->scans;
    told->runs_after_loss += run->after_loss;
    told->last_time_s = run->time_s + (double)(run->scans - 1) * run->period_s;
    pthread_mutex_unlock(&rig->mutex);
    if (atomic_exchange(&rig->hold, false)) {
        sem_post(&rig->held);
        sem_wait(&rig->release);
    }
}

static void on_loss(void *context, size_t board, uint64_t scans, const char *reason) {
    struct rig *rig = context;
    (void)reason;
    pthread_mutex_lock(&rig->mutex);
    if (scans == RECORD_LOSS_UNKNOWN)
        rig->told[board].lost_unknown++;
    else
        rig->told[board].lost += scans;
    pthread_mutex_unlock(&rig->mutex);
}

static void on_described(void *context, size_t board, const struct board_description *description) {
    struct rig *rig = context;
    (void)description;
    pthread_mutex_lock(&rig->mutex);
    rig->told[board].described++;
    pthread_mutex_unlock(&rig->mutex);
}

static void on_event(void *context, size_t board, enum intake_board_state state, const char *text) {
    struct rig *rig = context;
    pthread_mutex_lock(&rig->mutex);
    struct told *told = &rig->told[board];
    if (told->event_count < EVENTS_MAX) {
        told->state[told->event_count] = state;
        (void)snprintf(told->text[told->event_count], sizeof told->text[0], "%s", text);
        told->event_count++;
    }
    pthread_mutex_unlock(&rig->mutex);
}

/* ---- the rig ---- */

struct rig *rig_new(void) {
    struct rig *rig = calloc(1, sizeof *rig);
    assert_non_null(rig);
    (void)snprintf(rig->folder, sizeof rig->folder, "/tmp/intake-test-XXXXXX");
    assert_non_null(mkdtemp(rig->folder));
    assert_int_equal(memory_ring_new(64u << 20, &rig->memory), 0);
    assert_int_equal(timebase_new(&rig->timebase), 0);
    rig->settings = (struct intake_settings){
        .block_s = 1.0, .urgent_block_s = 0.25, .first_epoch = 7, .byte_ring_s = 1.0};
    rig->hookup.boards = rig->boards;
    pthread_mutex_init(&rig->mutex, NULL);
    sem_init(&rig->held, 0, 0);
    sem_init(&rig->release, 0, 0);
    return rig;
}

void rig_add(struct rig *rig, const char *name, const struct board_driver *driver,
             const char *device) {
    assert_true(rig->hookup.board_count < BOARDS_MAX);
    rig->boards[rig->hookup.board_count++] =
        (struct hookup_board){.name = name, .driver = driver, .device = device, .inputs = 1};
}

void rig_start(struct rig *rig) {
    const struct intake_tap tap = {rig, on_run, on_loss, on_described, on_event};
    assert_int_equal(
        intake_new(&rig->hookup, rig->memory, rig->timebase, &tap, &rig->settings, &rig->intake),
        0);
    assert_int_equal(intake_start(rig->intake), 0);
}

void rig_free(struct rig *rig) {
    intake_free(rig->intake);
    memory_ring_free(rig->memory);
    timebase_free(rig->timebase);
    sem_destroy(&rig->held);
    sem_destroy(&rig->release);
    pthread_mutex_destroy(&rig->mutex);
    (void)rmdir(rig->folder);
    free(rig);
}

struct told rig_told(struct rig *rig, size_t board) {
    pthread_mutex_lock(&rig->mutex);
    struct told told = rig->told[board];
    pthread_mutex_unlock(&rig->mutex);
    return told;
}

struct intake_status rig_status(struct rig *rig, size_t board) {
    struct intake_status status;
    intake_status(rig->intake, board, &status);
    return status;
}

unsigned rig_events(struct rig *rig, size_t board, enum intake_board_state state) {
    struct told told = rig_told(rig, board);
    unsigned events = 0;
    for (size_t i = 0; i < told.event_count; i++)
        events += told.state[i] == state;
    return events;
}

/* ---- played boards ---- */

void played_init(struct played *played, const struct rig *rig, const char *name, uint8_t inputs) {
    memset(played, 0, sizeof *played);
    (void)snprintf(played->link, sizeof played->link, "%s/%s", rig->folder, name);
    played->master = -1;
    played->wire = (struct wire_board){.boot_id = 100,
                                       .rate_millihz = 1000000,
                                       .inputs = inputs,
                                       .bits = 24,
                                       .span_microvolts = 5000000,
                                       .name = "played board 1"};
}

void played_plug(struct played *played) {
    char node[64];
    int slave;
    struct termios raw;
    assert_int_equal(openpty(&played->master, &slave, node, NULL, NULL), 0);
    assert_int_equal(tcgetattr(slave, &raw), 0);
    cfmakeraw(&raw);
    assert_int_equal(tcsetattr(slave, TCSANOW, &raw), 0);
    close(slave);
    assert_int_equal(fcntl(played->master, F_SETFL, O_NONBLOCK), 0);
    assert_int_equal(symlink(node, played->link), 0);
    assert_int_equal(wire_encoder_begin(&played->encoder, &played->wire, 10), 0);
    played->started = false;
    memset(&played->decoder, 0, sizeof played->decoder);
}

void played_unplug(struct played *played) {
    (void)unlink(played->link);
    if (played->master >= 0)
        close(played->master);
    played->master = -1;
}

void played_write(struct played *played, const void *bytes, size_t count) {
    const uint8_t *from = bytes;
    const struct timespec pause = {0, PLAY_PAUSE_NS / 10};
    for (unsigned tries = 0; count > 0 && played->master >= 0; tries++) {
        ssize_t written = write(played->master, from, count);
        if (written > 0) {
            from += written;
            count -= (size_t)written;
            tries = 0;
        } else if (tries > 10 * PLAY_PATIENCE) {
            fail_msg("nobody reads the port");
        } else {
            nanosleep(&pause, NULL);
        }
    }
}

void played_answer(struct played *played) {
    uint8_t bytes[256], packet[WIRE_PACKET_MAX];
    ssize_t count = played->master >= 0 ? read(played->master, bytes, sizeof bytes) : 0;
    for (ssize_t i = 0; i < count; i++) {
        enum wire_request request = wire_decoder_byte(&played->decoder, bytes[i]);
        played->requests[request]++;
        if (played->mute)
            continue;
        if (request == WIRE_REQUEST_DESCRIBE)
            played_write(played, packet, wire_encoder_describe(&played->encoder, packet));
        else if (request != WIRE_REQUEST_NONE)
            played->started = request == WIRE_REQUEST_START;
    }
}

static void make_scans(struct played *played, unsigned scans, bool send) {
    uint8_t packet[WIRE_PACKET_MAX];
    int32_t counts[WIRE_INPUTS_MAX];
    for (unsigned scan = 0; scan < scans; scan++) {
        for (int32_t input = 0; input < played->wire.inputs; input++)
            counts[input] = input == 0 ? played->value : 1000 * input + played->value % 50;
        played->value = (played->value + 1) & 0xFFFFFF;
        size_t length = wire_encoder_scan(&played->encoder, counts, packet);
        if (scan + 1 == scans && length == 0)
            length = wire_encoder_flush(&played->encoder, packet);
        if (send)
            played_write(played, packet, length);
    }
}

void played_send(struct played *played, unsigned scans) {
    make_scans(played, scans, true);
}

void played_lose(struct played *played, unsigned scans) {
    make_scans(played, scans, false);
}

void play(struct played *played, size_t count, unsigned *waited) {
    const struct timespec pause = {0, PLAY_PAUSE_NS};
    if (++*waited > PLAY_PATIENCE)
        fail_msg("what was waited for did not come");
    for (size_t i = 0; i < count; i++)
        played_answer(&played[i]);
    nanosleep(&pause, NULL);
}

/* ---- what was stored ---- */

struct stored *stored_take(struct rig *rig) {
    struct stored *stored = calloc(1, sizeof *stored);
    assert_non_null(stored);
    while (memory_ring_take(rig->memory, &stored->chunk[stored->count], 0))
        assert_true(++stored->count < sizeof stored->chunk / sizeof stored->chunk[0]);
    return stored;
}

void stored_free(struct stored *stored) {
    for (size_t i = 0; i < stored->count; i++)
        chunk_done(&stored->chunk[i]);
    free(stored);
}

void stored_counts(const struct chunk *chunk, size_t input, int32_t *counts) {
    struct codec_work *work;
    const uint8_t *coded;
    size_t length;
    assert_int_equal(codec_work_new(&work), 0);
    assert_int_equal(chunk_block_input(chunk, input, &coded, &length), 0);
    assert_int_equal(codec_decode(work, coded, length, counts, chunk->scans), 0);
    codec_work_free(work);
}

uint64_t stored_scans(const struct stored *stored, uint16_t stream) {
    uint64_t scans = 0;
    for (size_t i = 0; i < stored->count; i++)
        if (stored->chunk[i].type == CHUNK_BLOCK && stored->chunk[i].place.stream == stream)
            scans += stored->chunk[i].scans;
    return scans;
}

const struct chunk *stored_first(const struct stored *stored, uint16_t stream,
                                 enum chunk_type type) {
    for (size_t i = 0; i < stored->count; i++)
        if (stored->chunk[i].type == type && stored->chunk[i].place.stream == stream)
            return &stored->chunk[i];
    return NULL;
}

struct position {
    bool clocked, any;
    uint32_t epoch;
    uint64_t next;
    int32_t value;
};

static void check_block(const struct chunk *chunk, struct position *at) {
    int32_t *counts = calloc(chunk->scans, sizeof *counts);
    assert_non_null(counts);
    assert_true(at->clocked);
    assert_true(chunk->place.first_scan == at->next);
    assert_true(chunk->scans >= 1 && chunk->scans <= 65536);
    assert_true(chunk->from_ns < chunk->to_ns);
    stored_counts(chunk, 0, counts);
    for (uint32_t scan = 0; scan < chunk->scans; scan++) {
        if (at->any && counts[scan] != ((at->value + 1) & 0xFFFFFF))
            fail_msg("scan %llu holds %d after %d", (unsigned long long)(at->next + scan),
                     counts[scan], at->value);
        at->value = counts[scan];
        at->any = true;
    }
    free(counts);
    at->next += chunk->scans;
}

void stored_check(const struct stored *stored, uint16_t stream) {
    struct position at = {0};
    for (size_t i = 0; i < stored->count; i++) {
        const struct chunk *chunk = &stored->chunk[i];
        uint64_t scans;
        const char *reason;
        size_t length;
        if (chunk->place.stream != stream)
            continue;
        if (at.epoch != chunk->place.epoch) {
            assert_true(chunk->place.epoch > at.epoch);
            assert_true(chunk->type == CHUNK_CLOCK && chunk->place.first_scan == 0);
            at = (struct position){.epoch = chunk->place.epoch};
        }
        if (chunk->type == CHUNK_CLOCK) {
            at.clocked = true;
        } else if (chunk->type == CHUNK_BLOCK) {
            check_block(chunk, &at);
        } else if (chunk->type == CHUNK_LOSS) {
            assert_int_equal(chunk_parse_loss(chunk, &scans, &reason, &length), 0);
            assert_true(chunk->place.first_scan == at.next);
            assert_true(length > 0);
            if (scans != RECORD_LOSS_UNKNOWN) {
                at.next += scans;
                at.value = (int32_t)(((uint64_t)at.value + scans) & 0xFFFFFF);
            }
        }
    }
}
