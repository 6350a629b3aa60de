// SPDX-License-Identifier: Apache-2.0
/*
 * ring_reader_test.c - wall times find their segments: two boots, a clock that was wrong at first,
 * segments that are gone, a ring that is still being written.
 */
#include "recording_helper.h"

#include "disk_ring.h"
#include "ring_reader.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define DAY_NS    (INT64_C(1768435200) * RECORDING_S) /* 2026-01-15 00:00 UTC */
#define SECONDS   200
#define FIRST_NS  (DAY_NS + 1000 * RECORDING_S)
#define SECOND_NS (DAY_NS + 9000 * RECORDING_S)

struct boot {
    uint8_t id;
    uint32_t epoch;
    int64_t wall_ns; /* of its first second */
    uint32_t wrong;  /* so many seconds its wall clock stands near 1970 */
};

static const struct boot first = {.id = 1, .epoch = 1, .wall_ns = FIRST_NS, .wrong = 0};
static const struct boot second = {.id = 2, .epoch = 2, .wall_ns = SECOND_NS, .wrong = 100};

static void append(struct disk_ring *ring, struct chunk chunk) {
    assert_int_equal(disk_ring_append(ring, &chunk), 0);
    chunk_done(&chunk);
}

static void append_second(struct disk_ring *ring, const struct boot *boot, uint32_t at) {
    int64_t elapsed = (100 + (int64_t)at) * RECORDING_S;
    int64_t wall = (at < boot->wrong ? 0 : boot->wall_ns) + (int64_t)at * RECORDING_S;
    for (uint16_t stream = 0; stream < RECORDING_STREAMS; stream++) {
        uint32_t scans = (uint32_t)recording_rate(stream);
        if (at % 10 == 0)
            append(ring, recording_clock(stream, boot->epoch, at * scans, elapsed, wall, scans,
                                         boot->id));
        struct chunk block = recording_block(stream, boot->epoch, at * scans, scans);
        block.from_ns = elapsed;
        block.to_ns = elapsed + RECORDING_S;
        append(ring, block);
    }
}

/* Records a boot; the ring stays open: nobody has ended its last segment. */
static struct disk_ring *record_boot(const char *folder, const struct boot *boot) {
    const struct disk_ring_settings settings = {.bytes = 10000000, .segment_bytes = 20000};
    struct disk_ring_found found;
    struct disk_ring *ring = NULL;
    assert_int_equal(disk_ring_open(folder, &settings, &found, &ring), 0);
    char *head = recording_head();
    assert_int_equal(disk_ring_set_head(ring, head), 0);
    free(head);
    for (uint32_t at = 0; at < SECONDS; at++)
        append_second(ring, boot, at);
    assert_int_equal(disk_ring_sync(ring), 0);
    return ring;
}

/* A folder with both boots; `*ring` is open on the second. */
static char *record_both(struct disk_ring **ring) {
    char *folder = recording_folder();
    disk_ring_close(record_boot(folder, &first));
    *ring = record_boot(folder, &second);
    return folder;
}

static struct ring_reader *open_reader(const char *folder) {
    struct ring_reader *reader = NULL;
    char why[256] = "";
    assert_int_equal(ring_reader_open(folder, &reader, why, sizeof why), 0);
    return reader;
}

/* The stretch is there from `from_ns` to `to_ns` of wall time, all scans of it, no loss. */
static void check_stretch(const struct ring_reader *reader, const struct boot *boot,
                          int64_t from_ns, int64_t to_ns) {
    struct playback *playback = NULL;
    char why[256] = "";
    assert_int_equal(ring_reader_play(reader, from_ns, to_ns - 1, &playback, why, sizeof why), 0);
    const struct record *record = playback_record(playback);
    double wall_s = (double)(playback_wall_ns(playback) - from_ns) * 1e-9;
    assert_near(wall_s + record->from_s, 0, 1e-6);
    assert_near(record->to_s - record->from_s, (double)(to_ns - from_ns) * 1e-9, 1e-6);
    uint64_t next[RECORDING_STREAMS];
    for (size_t i = 0; i < RECORDING_STREAMS; i++)
        next[i] = (uint64_t)((double)((from_ns - boot->wall_ns) / RECORDING_S) * recording_rate(i));
    struct record_run run;
    int result;
    while ((result = record->next(record->context, &run)) == 1) {
        recording_check_run(&run, boot->epoch, next[run.stream]);
        next[run.stream] += run.scans;
    }
    assert_int_equal(result, 0);
    for (size_t i = 0; i < RECORDING_STREAMS; i++)
        assert_int_equal(next[i], (uint64_t)((double)((to_ns - boot->wall_ns) / RECORDING_S) *
                                             recording_rate(i)));
    const struct record_loss *losses;
    assert_int_equal(record->losses(record->context, &losses), 0);
    playback_free(playback);
}

static void each_boot_by_its_wall_time(void **state) {
    (void)state;
    struct disk_ring *ring;
    char *folder = record_both(&ring);
    struct ring_reader *reader = open_reader(folder);
    assert_int_equal(ring_reader_end_ns(reader), SECOND_NS + SECONDS * RECORDING_S);
    check_stretch(reader, &first, FIRST_NS + 20 * RECORDING_S, FIRST_NS + 50 * RECORDING_S);
    check_stretch(reader, &second, SECOND_NS + 150 * RECORDING_S, SECOND_NS + 170 * RECORDING_S);
    /* While that clock was wrong: what it said later counts. */
    check_stretch(reader, &second, SECOND_NS + 10 * RECORDING_S, SECOND_NS + 30 * RECORDING_S);
    ring_reader_free(reader);
    disk_ring_close(ring);
    recording_folder_remove(folder);
}

static void what_is_not_there_is_said(void **state) {
    (void)state;
    struct disk_ring *ring;
    char *folder = record_both(&ring);
    struct ring_reader *reader = open_reader(folder);
    const int64_t empty[][2] = {{INT64_MIN, 0},
                                {FIRST_NS + 1000 * RECORDING_S, FIRST_NS + 2000 * RECORDING_S},
                                {SECOND_NS + 201 * RECORDING_S, INT64_MAX}};
    for (size_t i = 0; i < sizeof empty / sizeof empty[0]; i++) {
        struct playback *playback = NULL;
        char why[256] = "";
        assert_int_equal(
            ring_reader_play(reader, empty[i][0], empty[i][1], &playback, why, sizeof why),
            -ENODATA);
        assert_null(playback);
        assert_non_null(strstr(why, "nothing of that stretch"));
    }
    ring_reader_free(reader);
    disk_ring_close(ring);
    recording_folder_remove(folder);
}

/* Segments that go between the look and the reading are not in the record; the rest is. */
static void pruned_meanwhile(void **state) {
    (void)state;
    struct disk_ring *ring;
    char *folder = record_both(&ring);
    struct ring_reader *reader = open_reader(folder);
    struct disk_ring_list list;
    assert_int_equal(disk_ring_list_folder(folder, &list), 0);
    assert_true(list.count > 10);
    for (size_t i = 0; i < 3; i++)
        assert_int_equal(unlink(list.path[i]), 0);
    struct playback *playback = NULL;
    char why[256] = "";
    int64_t end = FIRST_NS + SECONDS * RECORDING_S;
    assert_int_equal(ring_reader_play(reader, FIRST_NS, end - 1, &playback, why, sizeof why), 0);
    const struct record *record = playback_record(playback);
    double wall_s = (double)(playback_wall_ns(playback) - FIRST_NS) * 1e-9;
    assert_true(wall_s + record->from_s > 1);
    assert_near(wall_s + record->to_s, SECONDS, 1e-6);
    playback_free(playback);

    /* And all of them: an error, not a crash. */
    for (size_t i = 3; i < list.count; i++)
        assert_int_equal(unlink(list.path[i]), 0);
    assert_int_equal(ring_reader_play(reader, FIRST_NS, end, &playback, why, sizeof why), -ENOENT);
    assert_true(why[0] != '\0');
    ring_reader_free(reader);
    disk_ring_list_done(&list);
    disk_ring_close(ring);
    recording_folder_remove(folder);
}

static void no_ring_and_an_empty_one(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct ring_reader *reader = NULL;
    char why[256] = "";
    assert_int_equal(ring_reader_open(folder, &reader, why, sizeof why), -ENODATA);
    assert_non_null(strstr(why, folder));
    assert_int_equal(ring_reader_open("/nowhere/ring", &reader, why, sizeof why), -ENOENT);
    assert_null(reader);
    ring_reader_free(NULL);
    recording_folder_remove(folder);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_boot_by_its_wall_time),
        cmocka_unit_test(what_is_not_there_is_said),
        cmocka_unit_test(pruned_meanwhile),
        cmocka_unit_test(no_ring_and_an_empty_one),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
