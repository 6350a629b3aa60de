// SPDX-License-Identifier: Apache-2.0
/*
 * recording_helper.c - chunks, folders and small disks for the ring's tests.
 */
#include "recording_helper.h"

#include "codec.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mount.h>
#include <sys/stat.h>
#include <unistd.h>

const char *const recording_hookup = "[vehicle]\n"
                                     "name = parcel van, bay 2\n"
                                     "cylinders = 4\n"
                                     "[board logger]\n"
                                     "driver = packet-serial\n"
                                     "device = /dev/serial/by-id/usb-logger-1\n"
                                     "[board meter]\n"
                                     "driver = text-serial\n"
                                     "device = /dev/serial/by-id/usb-meter-1\n"
                                     "rate = 200\n"
                                     "[channel battery]\n"
                                     "board = logger\n"
                                     "input = 0\n"
                                     "role = battery\n"
                                     "divider = 5.7\n"
                                     "[channel crank-feed]\n"
                                     "board = logger\n"
                                     "input = 1\n"
                                     "role = feed\n"
                                     "nominal = 5\n"
                                     "[channel supply]\n"
                                     "board = meter\n"
                                     "input = 0\n"
                                     "role = supply\n"
                                     "volts-per-count = 0.01\n";

size_t recording_inputs(size_t stream) {
    return stream == 0 ? 2 : 1;
}

double recording_rate(size_t stream) {
    return stream == 0 ? 1000 : 200;
}

void recording_streams(struct head_stream streams[RECORDING_STREAMS]) {
    static const char *const names[] = {"logger", "meter"};
    static const char *const drivers[] = {"packet-serial", "text-serial"};
    for (size_t i = 0; i < RECORDING_STREAMS; i++) {
        streams[i] = (struct head_stream){.name = names[i],
                                          .driver = drivers[i],
                                          .rate_hz = recording_rate(i),
                                          .described = true};
        struct board_description *description = &streams[i].description;
        description->inputs = recording_inputs(i);
        description->rate_hz = recording_rate(i);
        snprintf(description->identity, sizeof description->identity, "board %zu", i);
        for (size_t k = 0; k < description->inputs; k++) {
            description->bits[k] = 12;
            description->rail_low[k] = 0;
            description->rail_high[k] = 4095;
            description->volts_per_count[k] = 5.0 / 4096;
        }
    }
}

char *recording_head(void) {
    struct hookup *hookup = NULL;
    struct problems problems = {0};
    int error = hookup_parse(recording_hookup, strlen(recording_hookup), HOOKUP_FOR_BOARDS, &hookup,
                             &problems);
    if (error)
        problems_print(&problems, "recording_hookup", stderr);
    assert_int_equal(error, 0);
    struct head_stream streams[RECORDING_STREAMS];
    recording_streams(streams);
    for (size_t i = 0; i < RECORDING_STREAMS; i++)
        assert_int_equal(hookup_fit_board(hookup, i, &streams[i].description, &problems), 0);
    char *json = NULL;
    assert_int_equal(head_format(hookup, RECORDING_STREAMS, streams, &json), 0);
    hookup_free(hookup);
    problems_clear(&problems);
    return json;
}

int32_t recording_sample(size_t stream, uint32_t epoch, size_t input, uint64_t scan) {
    uint64_t mixed =
        (scan + 1) * 0x9E3779B97F4A7C15u ^ (input + 7 * stream + 31 * epoch) * 0xD1B54A33u;
    mixed ^= mixed >> 29;
    int32_t wave = (int32_t)(1000 * sin((double)scan * 0.01 + (double)input));
    return wave + (int32_t)(mixed % 17) + (int32_t)(100 * epoch + 10 * stream);
}

/* ---- chunks ---- */

struct chunk recording_block(uint16_t stream, uint32_t epoch, uint64_t first_scan, uint32_t scans) {
    size_t inputs = recording_inputs(stream);
    const uint8_t *coded[2];
    size_t lengths[2];
    struct codec_work *work = NULL;
    assert_int_equal(codec_work_new(&work), 0);
    int32_t *samples = malloc(scans * sizeof *samples);
    uint8_t *bytes = malloc(inputs * codec_bound(scans));
    assert_non_null(samples);
    assert_non_null(bytes);
    for (size_t input = 0; input < inputs; input++) {
        for (uint32_t i = 0; i < scans; i++)
            samples[i] = recording_sample(stream, epoch, input, first_scan + i);
        uint8_t *to = bytes + input * codec_bound(scans);
        lengths[input] = codec_encode(work, samples, scans, CODEC_FAST, to);
        coded[input] = to;
    }
    struct chunk_place place = {.stream = stream, .epoch = epoch, .first_scan = first_scan};
    struct chunk chunk = {0};
    assert_int_equal(chunk_block(&chunk, &place, scans, inputs, coded, lengths), 0);
    chunk.from_ns = (int64_t)((double)first_scan * 1e9 / recording_rate(stream));
    chunk.to_ns = (int64_t)((double)(first_scan + scans) * 1e9 / recording_rate(stream));
    free(bytes);
    free(samples);
    codec_work_free(work);
    return chunk;
}

struct chunk recording_loss(uint16_t stream, uint32_t epoch, uint64_t first_scan, uint64_t scans,
                            const char *reason) {
    struct chunk_place place = {.stream = stream, .epoch = epoch, .first_scan = first_scan};
    struct chunk chunk = {0};
    assert_int_equal(chunk_loss(&chunk, &place, scans, reason), 0);
    return chunk;
}

struct chunk recording_clock(uint16_t stream, uint32_t epoch, uint64_t scan, int64_t elapsed_ns,
                             int64_t wall_ns, double rate_hz, uint8_t boot) {
    struct chunk_clock clock = {
        .place = {.stream = stream, .epoch = epoch, .first_scan = scan},
        .elapsed_ns = elapsed_ns,
        .wall_ns = wall_ns,
        .rate_hz = rate_hz,
        .error_ns = 1000,
    };
    memset(clock.boot, boot, sizeof clock.boot);
    struct chunk chunk = {0};
    assert_int_equal(chunk_clock_make(&chunk, &clock), 0);
    return chunk;
}

struct chunk recording_mark(const char *json, int64_t elapsed_ns) {
    struct chunk chunk = {0};
    assert_int_equal(chunk_text(&chunk, CHUNK_MARK, json, elapsed_ns), 0);
    return chunk;
}

/* ---- checks ---- */

void recording_check_run(const struct record_run *run, uint32_t epoch, uint64_t first_scan) {
    assert_int_equal(run->inputs, recording_inputs(run->stream));
    for (size_t input = 0; input < run->inputs; input++)
        for (size_t i = 0; i < run->scans; i++)
            if (run->counts[input][i] !=
                recording_sample(run->stream, epoch, input, first_scan + i))
                fail_msg("stream %zu input %zu scan %llu: %d, not %d", run->stream, input,
                         (unsigned long long)(first_scan + i), run->counts[input][i],
                         recording_sample(run->stream, epoch, input, first_scan + i));
}

void recording_tally(struct recording_tally *tally, uint64_t first, uint64_t scans, bool lost) {
    assert_int_equal(first, tally->next);
    tally->next += scans;
    if (lost)
        tally->lost += scans;
    else
        tally->held += scans;
}

/* ---- files ---- */

char *recording_folder(void) {
    char *folder = strdup("/tmp/cranktrap-test-XXXXXX");
    assert_non_null(folder);
    assert_non_null(mkdtemp(folder));
    return folder;
}

static void empty_folder(const char *folder) {
    DIR *directory = opendir(folder);
    if (!directory)
        return;
    for (struct dirent *entry; (entry = readdir(directory));) {
        if (strcmp(entry->d_name, ".") == 0 || strcmp(entry->d_name, "..") == 0)
            continue;
        if (unlinkat(dirfd(directory), entry->d_name, 0) == 0)
            continue;
        char path[4096];
        snprintf(path, sizeof path, "%s/%s", folder, entry->d_name);
        empty_folder(path);
        rmdir(path);
    }
    closedir(directory);
}

void recording_folder_remove(char *folder) {
    empty_folder(folder);
    rmdir(folder);
    free(folder);
}

uint8_t *recording_file(const char *path, size_t *size) {
    FILE *file = fopen(path, "rb");
    assert_non_null(file);
    struct stat facts;
    assert_int_equal(fstat(fileno(file), &facts), 0);
    *size = (size_t)facts.st_size;
    uint8_t *bytes = malloc(*size + 1);
    assert_non_null(bytes);
    assert_int_equal(fread(bytes, 1, *size, file), *size);
    fclose(file);
    return bytes;
}

bool recording_exists(const char *folder, const char *name) {
    char path[4096];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    return access(path, F_OK) == 0;
}

void recording_write_file(const char *folder, const char *name, const void *bytes, size_t size) {
    char path[4096];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    assert_int_equal(fwrite(bytes, 1, size, file), size);
    assert_int_equal(fclose(file), 0);
}

char *recording_small_disk(size_t bytes) {
    if (unshare(CLONE_NEWNS) < 0 || mount(NULL, "/", NULL, MS_REC | MS_PRIVATE, NULL) < 0)
        return NULL;
    char *folder = recording_folder();
    char options[64];
    snprintf(options, sizeof options, "size=%zu", bytes);
    if (mount("small", folder, "tmpfs", 0, options) < 0) {
        recording_folder_remove(folder);
        return NULL;
    }
    return folder;
}

void recording_small_disk_remove(char *folder) {
    umount2(folder, MNT_DETACH);
    recording_folder_remove(folder);
}
