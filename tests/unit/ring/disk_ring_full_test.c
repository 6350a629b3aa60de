// SPDX-License-Identifier: Apache-2.0
/*
 * disk_ring_full_test.c - the ring on disks that are full, or fill up: real ones, mounted for the
 * test where that is permitted, and files that may grow only so far.
 */
#include "recording_helper.h"

#include "container.h"
#include "disk_ring.h"
#include "playback.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/statvfs.h>
#include <unistd.h>

#define DISK_BYTES (1u << 20)

/* The whole of a recording: blocks of stream 0, and how far they were accepted. */
struct recorder {
    struct disk_ring *ring;
    uint64_t next;     /* the next scan */
    uint64_t accepted; /* scans that disk_ring_append took */
};

static struct recorder start(const char *folder, const struct disk_ring_settings *settings) {
    struct recorder recorder = {0};
    struct disk_ring_found found;
    assert_int_equal(disk_ring_open(folder, settings, &found, &recorder.ring), 0);
    char *head = recording_head();
    assert_int_equal(disk_ring_set_head(recorder.ring, head), 0);
    free(head);
    return recorder;
}

/* One block of 1000 scans; the error of the append. A refused one is lost here. */
static int record(struct recorder *recorder) {
    int error = 0;
    if (recorder->next == 0) {
        struct chunk clock = recording_clock(0, 1, 0, 0, 0, 1000, 1);
        error = disk_ring_append(recorder->ring, &clock);
        chunk_done(&clock);
    }
    struct chunk chunk = recording_block(0, 1, recorder->next, 1000);
    if (!error)
        error = disk_ring_append(recorder->ring, &chunk);
    chunk_done(&chunk);
    recorder->next += 1000;
    if (!error)
        recorder->accepted += 1000;
    return error;
}

/* What can be read back, each scan as it was. */
struct readable {
    uint64_t scans;
    uint64_t first, last; /* the oldest scan, and the one after the newest */
};

static struct readable read_back(const char *folder) {
    struct disk_ring_list list;
    assert_int_equal(disk_ring_list_folder(folder, &list), 0);
    struct playback *playback = NULL;
    char why[256];
    int error =
        playback_open((const char *const *)list.path, list.count, &playback, why, sizeof why);
    if (error)
        fail_msg("%s", why);
    const struct record *all = playback_record(playback);
    struct record_run run;
    struct readable readable = {.first = UINT64_MAX};
    assert_int_equal(all->seek(all->context, 0), 0);
    double zero = (double)playback_elapsed_ns(playback) * 1e-9;
    while (all->next(all->context, &run) == 1) {
        uint64_t first = (uint64_t)((zero + run.time_s) * 1000 + 0.5);
        recording_check_run(&run, 1, first);
        readable.scans += run.scans;
        readable.first = first < readable.first ? first : readable.first;
        readable.last = first + run.scans;
    }
    playback_free(playback);
    disk_ring_list_done(&list);
    return readable;
}

static uint64_t free_on(const char *folder) {
    struct statvfs facts;
    assert_int_equal(statvfs(folder, &facts), 0);
    return (uint64_t)facts.f_bavail * facts.f_frsize;
}

/* Somebody else's file takes all that is left but `leave` bytes. */
static void fill_disk(const char *folder, size_t leave) {
    char path[4096];
    snprintf(path, sizeof path, "%s/somebody-elses", folder);
    int file = open(path, O_WRONLY | O_CREAT | O_APPEND, 0600);
    assert_true(file >= 0);
    static const char bytes[4096];
    while (free_on(folder) > leave && write(file, bytes, sizeof bytes) > 0)
        ;
    close(file);
}

static void empty_disk(const char *folder) {
    char path[4096];
    snprintf(path, sizeof path, "%s/somebody-elses", folder);
    assert_int_equal(unlink(path), 0);
}

static char *small_disk(void) {
    char *folder = recording_small_disk(DISK_BYTES);
    if (!folder) {
        print_message("not run: mounting a small disk is not permitted here\n");
        skip();
    }
    return folder;
}

/* The ring's bound is larger than the disk: the disk's own end is the bound then. */
static void goes_around_a_disk_smaller_than_its_bound(void **state) {
    (void)state;
    char *folder = small_disk();
    struct disk_ring_settings settings = {.bytes = 100u << 20, .segment_bytes = 50000};
    struct recorder recorder = start(folder, &settings);
    for (int i = 0; i < 2000; i++) {
        assert_int_equal(record(&recorder), 0);
        if (i % 7 == 0)
            assert_int_equal(disk_ring_sync(recorder.ring), 0);
    }
    struct disk_ring_state end = disk_ring_state(recorder.ring);
    assert_true(end.segments_pruned > 0);
    assert_true(end.segments_abandoned > 0); /* the disk was really full */
    assert_int_equal(end.last_error, 0);
    disk_ring_close(recorder.ring);
    struct readable left = read_back(folder);
    assert_int_equal(left.last, recorder.next);
    assert_true(left.scans > 100000);
    assert_int_equal(left.scans, left.last - left.first); /* without a hole */
    recording_small_disk_remove(folder);
}

static void keeps_space_free(void **state) {
    (void)state;
    char *folder = small_disk();
    struct disk_ring_settings settings = {
        .bytes = 100u << 20, .segment_bytes = 30000, .keep_free_bytes = 300000};
    struct recorder recorder = start(folder, &settings);
    for (int i = 0; i < 1000; i++) {
        assert_int_equal(record(&recorder), 0);
        assert_int_equal(disk_ring_sync(recorder.ring), 0);
        assert_true(free_on(folder) >= settings.keep_free_bytes - 10000);
    }
    struct disk_ring_state end = disk_ring_state(recorder.ring);
    assert_true(end.segments_pruned > 0);
    assert_int_equal(end.pruned_for_space, end.segments_pruned); /* its own bound is far away */
    assert_true(end.free_bytes >= settings.keep_free_bytes - 10000);
    assert_int_equal(end.segments_abandoned, 0); /* it never came to a failed write */
    disk_ring_close(recorder.ring);
    recording_small_disk_remove(folder);
}

static void lives_through_a_full_disk(void **state) {
    (void)state;
    char *folder = small_disk();
    struct disk_ring_settings settings = {.bytes = 100u << 20, .segment_bytes = 50000};
    struct recorder recorder = start(folder, &settings);
    for (int i = 0; i < 100; i++)
        assert_int_equal(record(&recorder), 0);

    /* All of it pinned, and the disk full: nothing can be written, nothing may be removed. */
    struct disk_ring_list pinned;
    assert_int_equal(disk_ring_pin(recorder.ring, &pinned), 0);
    fill_disk(folder, 0);
    int error = 0;
    for (int i = 0; i < 50; i++)
        error = record(&recorder);
    assert_int_equal(error, -ENOSPC);
    struct disk_ring_state full = disk_ring_state(recorder.ring);
    assert_int_equal(full.last_error, -ENOSPC);
    assert_true(full.bound_exceeded > 0);
    for (size_t i = 0; i < pinned.count; i++)
        assert_int_equal(access(pinned.path[i], R_OK), 0);

    /* Room again: the next appends go, and what was accepted before is all there. */
    empty_disk(folder);
    for (int i = 0; i < 100; i++)
        assert_int_equal(record(&recorder), 0);
    assert_int_equal(disk_ring_sync(recorder.ring), 0);
    struct disk_ring_state after = disk_ring_state(recorder.ring);
    assert_int_equal(after.last_error, 0);
    struct readable left = read_back(folder);
    assert_int_equal(left.scans, recorder.accepted);
    assert_int_equal(left.last, recorder.next);
    disk_ring_unpin(recorder.ring, &pinned);
    disk_ring_close(recorder.ring);
    recording_small_disk_remove(folder);
}

/* The same with nothing pinned: the ring gives its oldest to stay alive. */
static void gives_its_oldest_when_others_fill_the_disk(void **state) {
    (void)state;
    char *folder = small_disk();
    struct disk_ring_settings settings = {.bytes = 100u << 20, .segment_bytes = 30000};
    struct recorder recorder = start(folder, &settings);
    for (int i = 0; i < 150; i++)
        assert_int_equal(record(&recorder), 0);
    assert_int_equal(disk_ring_sync(recorder.ring), 0);
    fill_disk(folder, 0);
    for (int i = 0; i < 300; i++)
        assert_int_equal(record(&recorder), 0);
    assert_int_equal(disk_ring_sync(recorder.ring), 0);
    struct readable left = read_back(folder);
    assert_true(left.scans > 10000);
    assert_int_equal(left.last, recorder.next);
    disk_ring_close(recorder.ring);
    recording_small_disk_remove(folder);
}

static void survives_a_file_size_limit(void **state) {
    (void)state;
    char *folder = recording_folder();
    signal(SIGXFSZ, SIG_IGN);
    struct rlimit before, limit;
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
    limit = before;
    limit.rlim_cur = 20000; /* a segment may not become as large as it should */
    struct disk_ring_settings settings = {.bytes = 10u << 20, .segment_bytes = 100000};
    struct recorder recorder = start(folder, &settings);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &limit), 0);
    int error = 0;
    for (int i = 0; !error && i < 200; i++) {
        error = record(&recorder);
        if (!error && i % 3 == 0)
            error = disk_ring_sync(recorder.ring);
    }
    if (!error)
        error = disk_ring_sync(recorder.ring);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
    assert_int_equal(error, 0);
    struct disk_ring_state end = disk_ring_state(recorder.ring);
    assert_true(end.segments_abandoned > 3);
    assert_int_equal(end.last_error, 0);
    disk_ring_close(recorder.ring);
    assert_int_equal(read_back(folder).scans, recorder.next);
    recording_folder_remove(folder);
}

/* A limit that not even the head fits into: nothing works, until it is lifted. */
static void fails_plainly_where_nothing_can_be_written(void **state) {
    (void)state;
    char *folder = recording_folder();
    signal(SIGXFSZ, SIG_IGN);
    struct rlimit before, limit;
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
    limit = before;
    limit.rlim_cur = 100;
    struct disk_ring_settings settings = {.bytes = 10u << 20, .segment_bytes = 100000};
    struct recorder recorder = start(folder, &settings);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &limit), 0);
    int errors[5];
    for (int i = 0; i < 5; i++)
        errors[i] = record(&recorder);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
    for (int i = 0; i < 5; i++)
        assert_int_equal(errors[i], -EFBIG);
    assert_int_equal(disk_ring_state(recorder.ring).segments, 0); /* and leaves no litter */
    assert_false(recording_exists(folder, "00000001.ring"));
    recorder.next = 0;
    assert_int_equal(record(&recorder), 0);
    disk_ring_close(recorder.ring);
    assert_int_equal(read_back(folder).scans, 1000);
    recording_folder_remove(folder);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(goes_around_a_disk_smaller_than_its_bound),
        cmocka_unit_test(keeps_space_free),
        cmocka_unit_test(lives_through_a_full_disk),
        cmocka_unit_test(gives_its_oldest_when_others_fill_the_disk),
        cmocka_unit_test(survives_a_file_size_limit),
        cmocka_unit_test(fails_plainly_where_nothing_can_be_written),
    };
    return cmocka_run_group_tests_name("disk_ring_full", tests, NULL, NULL);
}
