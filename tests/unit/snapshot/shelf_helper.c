// SPDX-License-Identifier: Apache-2.0
/*
 * shelf_helper.c - writing a ring whose every sample is known, and reading snapshots back.
 */
#include "shelf_helper.h"

#include "codec.h"

#include <errno.h>
#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

static void must(bool done, const char *what) {
    if (done)
        return;
    fprintf(stderr, "the test's ring: %s: %s\n", what, strerror(errno));
    exit(2);
}

/* ---- the shelf ---- */

void shelf_open(struct shelf *shelf, uint64_t ring_bytes) {
    *shelf = (struct shelf){.settings = {.quota_bytes = 1u << 30, .merge_s = 300.0}, .epoch = 1};
    const char *base = getenv("TMPDIR");
    snprintf(shelf->folder, sizeof shelf->folder, "%.32s/shelf-XXXXXX", base ? base : "/tmp");
    must(mkdtemp(shelf->folder) != NULL, "folder");
    snprintf(shelf->ring_folder, sizeof shelf->ring_folder, "%s/ring", shelf->folder);
    snprintf(shelf->snapshot_folder, sizeof shelf->snapshot_folder, "%s/snapshots", shelf->folder);
    pthread_mutex_init(&shelf->lock, NULL);
    must(timebase_new(&shelf->timebase) == 0, "time");
    timebase_take_over(shelf->timebase, 0);
    shelf->start_ns = timebase_elapsed_ns(shelf->timebase);
    struct disk_ring_settings settings = {.bytes = ring_bytes};
    struct disk_ring_found found;
    must(disk_ring_open(shelf->ring_folder, &settings, &found, &shelf->ring) == 0, "ring");
    must(disk_ring_set_head(shelf->ring, SHELF_HEAD) == 0, "head");
}

static void on_finished(void *context, unsigned number, const char *path) {
    struct shelf *shelf = context;
    pthread_mutex_lock(&shelf->lock);
    if (access(path, R_OK) == 0)
        shelf->finished++;
    shelf->last_finished = number;
    pthread_mutex_unlock(&shelf->lock);
}

static void on_removed(void *context, const char *text) {
    struct shelf *shelf = context;
    pthread_mutex_lock(&shelf->lock);
    shelf->removed++;
    snprintf(shelf->removal, sizeof shelf->removal, "%s", text);
    pthread_mutex_unlock(&shelf->lock);
}

static void on_problem(void *context, const char *text) {
    struct shelf *shelf = context;
    pthread_mutex_lock(&shelf->lock);
    snprintf(shelf->problem, sizeof shelf->problem, "%s", text);
    pthread_mutex_unlock(&shelf->lock);
}

static int on_flush(void *context) {
    struct shelf *shelf = context;
    pthread_mutex_lock(&shelf->lock);
    shelf->flushed++;
    pthread_mutex_unlock(&shelf->lock);
    return 0;
}

void shelf_start(struct shelf *shelf) {
    const struct snapshot_tap tap = {shelf, on_finished, on_removed, on_problem, on_flush};
    int result = snapshots_start(shelf->snapshot_folder, shelf->ring, shelf->timebase,
                                 &shelf->settings, &tap, &shelf->snapshots);
    errno = -result;
    must(result == 0, "snapshots");
}

void shelf_stop(struct shelf *shelf) {
    snapshots_stop(shelf->snapshots);
    shelf->snapshots = NULL;
}

static int remove_one(const char *path, const struct stat *facts, int type, struct FTW *walk) {
    (void)facts;
    (void)type;
    (void)walk;
    return remove(path);
}

void shelf_close(struct shelf *shelf) {
    shelf_stop(shelf);
    disk_ring_close(shelf->ring);
    timebase_free(shelf->timebase);
    pthread_mutex_destroy(&shelf->lock);
    nftw(shelf->folder, remove_one, 16, FTW_DEPTH | FTW_PHYS);
}

/* ---- writing ---- */

int64_t shelf_ns(const struct shelf *shelf, double second) {
    return shelf->start_ns + (int64_t)(second * SHELF_SECOND);
}

static void append(struct shelf *shelf, struct chunk *chunk) {
    must(disk_ring_append(shelf->ring, chunk) == 0, "append");
    chunk_done(chunk);
}

static int64_t second_ns(const struct shelf *shelf, size_t board, unsigned second) {
    return shelf_ns(shelf, second) + (int64_t)board * SHELF_LAG_NS;
}

static struct chunk_place place_of(const struct shelf *shelf, size_t board) {
    return (struct chunk_place){.stream = (uint16_t)board,
                                .epoch = shelf->epoch,
                                .first_scan =
                                    (uint64_t)(shelf->seconds - shelf->epoch_second) * SHELF_SCANS};
}

static void write_clock(struct shelf *shelf, size_t board) {
    struct chunk chunk = {0};
    struct chunk_clock clock = {.place = place_of(shelf, board),
                                .elapsed_ns = second_ns(shelf, board, shelf->seconds),
                                .wall_ns = 1,
                                .rate_hz = SHELF_SCANS,
                                .error_ns = 1000};
    timebase_boot(shelf->timebase, clock.boot);
    must(chunk_clock_make(&chunk, &clock) == 0, "clock");
    append(shelf, &chunk);
}

/* Samples are the absolute second and scan: what epoch it is does not matter to the check. */
static void write_block(struct shelf *shelf, size_t board) {
    struct codec_work *work = NULL;
    int32_t samples[SHELF_SCANS];
    size_t inputs = 1 + shelf->padding;
    uint8_t **coded = calloc(inputs, sizeof *coded);
    size_t *length = calloc(inputs, sizeof *length);
    must(codec_work_new(&work) == 0 && coded && length, "memory");
    uint32_t noise = shelf->seconds * 2u + 1u;
    for (size_t i = 0; i < inputs; i++) {
        for (int32_t scan = 0; scan < SHELF_SCANS; scan++) {
            noise = noise * 1664525u + 1013904223u;
            samples[scan] =
                i ? (int32_t)(noise >> 8) : (int32_t)shelf->seconds * SHELF_SCANS + scan;
        }
        coded[i] = malloc(codec_bound(SHELF_SCANS));
        must(coded[i] != NULL, "memory");
        length[i] = codec_encode(work, samples, SHELF_SCANS, CODEC_FULL, coded[i]);
    }
    struct chunk chunk = {0};
    struct chunk_place place = place_of(shelf, board);
    must(chunk_block(&chunk, &place, SHELF_SCANS, inputs, (const uint8_t *const *)coded, length) ==
             0,
         "block");
    chunk.from_ns = second_ns(shelf, board, shelf->seconds);
    chunk.to_ns = chunk.from_ns + SHELF_SECOND - SHELF_SECOND / SHELF_SCANS;
    append(shelf, &chunk);
    for (size_t i = 0; i < inputs; i++)
        free(coded[i]);
    free(coded);
    free(length);
    codec_work_free(work);
}

static void drive(struct shelf *shelf) {
    timebase_drive(shelf->timebase, (int64_t)shelf->seconds * SHELF_SECOND);
}

void shelf_write(struct shelf *shelf, unsigned seconds) {
    for (unsigned i = 0; i < seconds; i++) {
        for (size_t board = 0; board < SHELF_BOARDS; board++) {
            unsigned since = shelf->seconds - shelf->epoch_second;
            if (since % 60 == 0) /* an epoch begins with one, and then each minute */
                write_clock(shelf, board);
            write_block(shelf, board);
        }
        shelf->seconds++;
        must(disk_ring_sync(shelf->ring) == 0, "sync");
        drive(shelf);
    }
}

void shelf_pass(struct shelf *shelf, unsigned seconds) {
    for (unsigned i = 0; i < seconds; i++) {
        shelf->seconds++;
        drive(shelf);
    }
    shelf->epoch++;
    shelf->epoch_second = shelf->seconds;
}

void shelf_loss(struct shelf *shelf, uint64_t scans) {
    struct chunk chunk = {0};
    struct chunk_place place = place_of(shelf, 0);
    must(chunk_loss(&chunk, &place, scans, "packets lost") == 0, "loss");
    append(shelf, &chunk);
}

void shelf_mark(struct shelf *shelf, const char *json) {
    struct chunk chunk = {0};
    must(chunk_text(&chunk, CHUNK_MARK, json, shelf_ns(shelf, shelf->seconds)) == 0, "mark");
    append(shelf, &chunk);
}

int shelf_request(struct shelf *shelf, double from, double to) {
    struct snapshot_request request = {.trigger = "manual",
                                       .text = "asked for by a test",
                                       .at_ns = shelf_ns(shelf, (from + to) / 2.0),
                                       .from_ns = shelf_ns(shelf, from),
                                       .to_ns = shelf_ns(shelf, to)};
    return snapshots_request(shelf->snapshots, &request);
}

/* ---- reading ---- */

static void path_of(const struct shelf *shelf, unsigned number, const char *suffix, char *path,
                    size_t size) {
    snprintf(path, size, "%s/%04u%s", shelf->snapshot_folder, number, suffix);
}

static bool look_at_block(const struct chunk *chunk, struct shelf_file *file, bool has_clock) {
    struct codec_work *work = NULL;
    const uint8_t *coded = NULL;
    size_t length = 0;
    size_t board = chunk->place.stream;
    int32_t samples[SHELF_SCANS];
    if (board >= SHELF_BOARDS || chunk->scans != SHELF_SCANS || !has_clock ||
        chunk_block_input(chunk, 0, &coded, &length) < 0 || codec_work_new(&work) < 0)
        return false;
    bool sound = codec_decode(work, coded, length, samples, SHELF_SCANS) == 0;
    codec_work_free(work);
    if (!sound)
        return false;
    for (int32_t i = 0; i < SHELF_SCANS; i++)
        sound = sound && samples[i] == samples[0] + i;
    unsigned second = (unsigned)samples[0] / SHELF_SCANS;
    if (file->blocks[board] == 0)
        file->first[board] = second;
    else
        sound = sound && second > file->last[board]; /* in order, and none twice */
    file->last[board] = second;
    file->blocks[board]++;
    return sound;
}

static void look_at(const struct chunk *chunk, struct shelf_file *file,
                    uint32_t clocked[SHELF_BOARDS]) {
    const char *reason = NULL;
    size_t length = 0;
    uint64_t scans = 0;
    struct snapshot_note note;
    switch (chunk->type) {
    case CHUNK_HEAD:
        file->heads++;
        break;
    case CHUNK_BLOCK:
        if (!look_at_block(chunk, file,
                           clocked[chunk->place.stream % SHELF_BOARDS] == chunk->place.epoch))
            file->sound = false;
        break;
    case CHUNK_LOSS:
        file->losses++;
        if (chunk_parse_loss(chunk, &scans, &reason, &length) == 0)
            file->lost += scans;
        break;
    case CHUNK_CLOCK:
        file->clocks++;
        clocked[chunk->place.stream % SHELF_BOARDS] = chunk->place.epoch;
        break;
    case CHUNK_MARK:
        if (snapshot_note_parse(chunk, &note) < 0) {
            file->marks++;
            break;
        }
        snapshot_note_done(&file->note);
        file->note = note;
        file->notes++;
        break;
    case CHUNK_SUMMARY:
    case CHUNK_INDEX:
    case CHUNK_END:
        break;
    }
}

bool shelf_look(const struct shelf *shelf, unsigned number, struct shelf_file *file) {
    char path[160];
    struct container_reader *reader = NULL;
    const struct container_entry *entries = NULL;
    uint32_t clocked[SHELF_BOARDS] = {0};
    *file = (struct shelf_file){.sound = true};
    path_of(shelf, number, ".crank", path, sizeof path);
    if (container_open(path, &reader) < 0)
        return false;
    size_t count = container_entries(reader, &entries);
    file->whole = container_state(reader) == CONTAINER_WHOLE && container_ended(reader);
    for (size_t i = 0; i < count; i++) {
        struct chunk chunk = {0};
        if (container_read(reader, i, &chunk) == 0)
            look_at(&chunk, file, clocked);
        else
            file->sound = false;
        chunk_done(&chunk);
    }
    container_reader_free(reader);
    return true;
}

bool shelf_has(const struct shelf *shelf, unsigned number, const char *suffix) {
    char path[160];
    path_of(shelf, number, suffix, path, sizeof path);
    return access(path, F_OK) == 0;
}

bool shelf_await(const struct shelf *shelf, unsigned number, const char *suffix, uint64_t bytes) {
    char path[160];
    path_of(shelf, number, suffix, path, sizeof path);
    for (int waited = 0; waited < SHELF_WAIT_MS; waited += 5) {
        struct stat facts;
        const struct timespec pause = {.tv_nsec = 5000000};
        if (stat(path, &facts) == 0 && (uint64_t)facts.st_size >= bytes)
            return true;
        nanosleep(&pause, NULL);
    }
    return false;
}
