// SPDX-License-Identifier: Apache-2.0
/*
 * bench_chain.c - the daemon's chain, wired as daemon/cranktrapd/start.c does it.
 */
#include "bench_chain.h"

#include "bench_bulk.h"
#include "bench_van.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>

/* ---- what the daemon does with what it is told ---- */

static void on_run(void *context, const struct record_run *run) {
    struct chain *chain = context;
    watch_run(chain->watch, run);
    if (atomic_fetch_add(&chain->told, run->scans) + run->scans == chain->fed)
        sem_post(&chain->step);
}

static void on_loss(void *context, size_t board, uint64_t scans, const char *reason) {
    struct chain *chain = context;
    (void)scans;
    (void)reason;
    watch_loss(chain->watch, board);
}

static void on_described(void *context, size_t board, const struct board_description *description) {
    struct chain *chain = context;
    (void)description;
    (void)watch_fitted(chain->watch, board);
}

static void on_cranking(void *context, bool engaged, int64_t elapsed_ns) {
    struct chain *chain = context;
    (void)elapsed_ns;
    intake_urgent(chain->intake, engaged);
    writer_urgent(chain->writer, engaged);
}

static void on_mark(void *context, const struct watch_mark *mark) {
    struct chain *chain = context;
    (void)mark;
    chain->marks++;
}

/* ---- the chain ---- */

static int open_disk(struct chain *chain) {
    const struct hookup_storage *storage = &chain->hookup->storage;
    const struct disk_ring_settings settings = {.bytes = storage->ring_bytes};
    struct disk_ring_found found;
    char *head = NULL;
    for (size_t i = 0; i < chain->hookup->board_count; i++)
        chain->stream[i] = (struct head_stream){.name = chain->hookup->boards[i].name,
                                                .driver = chain->hookup->boards[i].driver->name,
                                                .rate_hz = chain->hookup->boards[i].rate_hz};
    int result = disk_ring_open(chain->folder, &settings, &found, &chain->disk);
    if (result == 0)
        result = head_format(chain->hookup, chain->hookup->board_count, chain->stream, &head);
    if (result == 0)
        result = disk_ring_set_head(chain->disk, head);
    free(head);
    if (result == 0)
        result = memory_ring_new(storage->memory_bytes, &chain->memory);
    if (result == 0 && !storage->memory_given)
        memory_ring_cover(chain->memory, HOOKUP_STALL_S);
    if (result == 0)
        result =
            writer_start(chain->memory, chain->disk, storage->loss_window_s * 0.6, &chain->writer);
    return result;
}

static int open_intake(struct chain *chain) {
    const struct watch_sinks sinks = {chain, on_cranking, on_mark};
    const struct intake_tap tap = {chain, on_run, on_loss, on_described, NULL};
    const struct intake_settings settings = {
        .block_s = 1.0, .urgent_block_s = 0.25, .first_epoch = 1, .byte_ring_s = 1.0};
    int result = watch_new(chain->hookup, &sinks, &chain->watch);
    if (result == 0)
        result = intake_new(chain->hookup, chain->memory, chain->timebase, &tap, &settings,
                            &chain->intake);
    return result;
}

void chain_close(struct chain *chain) {
    intake_free(chain->intake);
    writer_stop(chain->writer);
    watch_free(chain->watch);
    memory_ring_free(chain->memory);
    disk_ring_close(chain->disk);
    timebase_free(chain->timebase);
    hookup_free(chain->hookup);
    sem_destroy(&chain->step);
    if (chain->folder[0])
        van_folder_remove(chain->folder);
}

/* The folder, and what needs nothing else. */
static int begin(struct chain *chain) {
    memset(chain, 0, sizeof *chain);
    sem_init(&chain->step, 0, 0);
    if (van_folder_make(chain->folder, sizeof chain->folder) == 0)
        return 0;
    chain->folder[0] = '\0';
    return -1;
}

static int finish(struct chain *chain) {
    if (!chain->hookup || chain->hookup->board_count > CHAIN_BOARDS_MAX ||
        timebase_new(&chain->timebase) < 0 || open_disk(chain) < 0 || open_intake(chain) < 0)
        return -1;
    return 0;
}

int chain_open(struct chain *chain, const char *board) {
    if (begin(chain) < 0)
        return -1;
    chain->hookup = van_hookup_with_board_file(chain->folder, board);
    return finish(chain);
}

int chain_open_hookup(struct chain *chain, struct hookup *hookup) {
    int result = begin(chain);
    chain->hookup = hookup;
    return result < 0 ? -1 : finish(chain);
}

struct intake_board *chain_board(struct chain *chain) {
    return &chain->intake->boards[0];
}

static void pass(struct intake_board *board, enum barrier barrier) {
    pthread_mutex_lock(&board->mutex);
    atomic_store(&board->barrier, barrier);
    byte_ring_wake(board->byte_ring);
    while (atomic_load(&board->barrier) != BARRIER_NONE)
        pthread_cond_wait(&board->changed, &board->mutex);
    pthread_mutex_unlock(&board->mutex);
}

void chain_pass(struct chain *chain, enum barrier barrier) {
    for (size_t i = 0; i < chain->intake->board_count; i++)
        pass(&chain->intake->boards[i], barrier);
}

int chain_connect(struct chain *chain) {
    for (size_t i = 0; i < chain->intake->board_count; i++) {
        struct intake_board *board = &chain->intake->boards[i];
        board->finished = false;
        if (pthread_create(&board->pipeline_thread, NULL, pipeline_stream, board) != 0)
            return -1;
        board->pipeline_started = true;
        pass(board, BARRIER_CONNECTED);
    }
    return 0;
}

/* What the port's thread does with each read; false where the byte ring had no room. */
static void take_read(struct chain *chain, const uint8_t *bytes, size_t count) {
    struct intake_board *board = chain_board(chain);
    atomic_fetch_add(&board->bytes, count);
    if (byte_ring_write(board->byte_ring, bytes, count, timebase_elapsed_ns(chain->timebase)) == 0)
        return;
    atomic_fetch_add(&board->bytes_dropped, count);
    chain_pass(chain, BARRIER_OVERFLOWED);
}

int chain_take_paced(struct chain *chain, int from) {
    static uint8_t bytes[BULK_READ];
    if (chain_connect(chain) < 0)
        return -1;
    bulk_never_wait(); /* this thread stands for the bus, whose transfers need no processor */
    for (ssize_t count; (count = recv(from, bytes, sizeof bytes, 0)) != 0;) {
        if (count > 0)
            take_read(chain, bytes, (size_t)count);
        else if (errno != EINTR)
            return -1;
    }
    chain_pass(chain, BARRIER_STOPPING);
    return 0;
}

double chain_memory_mib(const char *name) {
    FILE *file = fopen("/proc/self/status", "re");
    char line[256];
    double kib = 0;
    while (file && fgets(line, sizeof line, file))
        if (strncmp(line, name, strlen(name)) == 0)
            kib = strtod(line + strlen(name), NULL);
    if (file)
        fclose(file);
    return kib / 1024;
}
