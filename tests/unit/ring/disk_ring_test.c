// SPDX-License-Identifier: Apache-2.0
/*
 * disk_ring_test.c - segments on a healthy disk: bounds, pins, recovery. disk_ring_full_test.c has
 * the sick ones.
 */
#include "recording_helper.h"

#include "container.h"
#include "disk_ring.h"
#include "playback.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
#include <zlib.h>

static const struct disk_ring_settings small = {.bytes = 400000, .segment_bytes = 20000};

static struct disk_ring *open_ring(const char *folder, const struct disk_ring_settings *settings,
                                   struct disk_ring_found *found) {
    struct disk_ring *ring = NULL;
    struct disk_ring_found ignored;
    assert_int_equal(disk_ring_open(folder, settings, found ? found : &ignored, &ring), 0);
    char *head = recording_head();
    assert_int_equal(disk_ring_set_head(ring, head), 0);
    free(head);
    return ring;
}

static void append(struct disk_ring *ring, struct chunk chunk) {
    assert_int_equal(disk_ring_append(ring, &chunk), 0);
    chunk_done(&chunk);
}

/* Both streams from `second` on for a second, with a clock now and then. */
static void append_second(struct disk_ring *ring, uint32_t epoch, uint32_t second) {
    int64_t elapsed = (100 + (int64_t)second) * RECORDING_S;
    if (second % 10 == 0) {
        append(ring, recording_clock(0, epoch, second * 1000u, elapsed, elapsed, 1000, 1));
        append(ring, recording_clock(1, epoch, second * 200u, elapsed, elapsed, 200, 1));
    }
    struct chunk chunk = recording_block(0, epoch, second * 1000u, 1000);
    chunk.from_ns = elapsed;
    chunk.to_ns = elapsed + RECORDING_S;
    append(ring, chunk);
    chunk = recording_block(1, epoch, second * 200u, 200);
    chunk.from_ns = elapsed;
    chunk.to_ns = elapsed + RECORDING_S;
    append(ring, chunk);
}

/* All bytes of the segments in the folder, by the file system. */
static uint64_t bytes_in(const char *folder, size_t *segments) {
    struct disk_ring_list list;
    assert_int_equal(disk_ring_list_folder(folder, &list), 0);
    uint64_t bytes = 0;
    for (size_t i = 0; i < list.count; i++) {
        struct stat facts;
        assert_int_equal(stat(list.path[i], &facts), 0);
        bytes += (uint64_t)facts.st_size;
    }
    *segments = list.count;
    disk_ring_list_done(&list);
    return bytes;
}

static void bound_holds_and_the_oldest_go(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring *ring = open_ring(folder, &small, NULL);
    for (uint32_t second = 0; second < 400; second++) {
        append_second(ring, 1, second);
        struct disk_ring_state now = disk_ring_state(ring);
        size_t segments;
        assert_int_equal(bytes_in(folder, &segments), now.bytes);
        assert_int_equal(segments, now.segments);
        assert_true(now.bytes <= small.bytes);
    }
    struct disk_ring_state end = disk_ring_state(ring);
    assert_true(end.segments_pruned > 10);
    assert_true(end.bytes > small.bytes - 2 * small.segment_bytes); /* and is made use of */
    assert_int_equal(end.last_error, 0);
    assert_int_equal(end.chunks_dropped, 0);
    assert_false(recording_exists(folder, "00000001.ring"));

    /* What is left is the newest stretch without a hole, beginning where the state says. */
    struct disk_ring_list list;
    assert_int_equal(disk_ring_pin(ring, &list), 0);
    assert_int_equal(disk_ring_sync(ring), 0);
    struct playback *playback = NULL;
    char why[256];
    assert_int_equal(
        playback_open((const char *const *)list.path, list.count, &playback, why, sizeof why), 0);
    const struct record_loss *losses;
    const struct record *record = playback_record(playback);
    assert_int_equal(record->losses(record->context, &losses), 0);
    assert_int_equal(playback_elapsed_ns(playback), end.oldest_ns);
    assert_near(record->to_s, (double)(500 * RECORDING_S - end.oldest_ns) * 1e-9, 1e-6);
    playback_free(playback);
    disk_ring_unpin(ring, &list);
    disk_ring_close(ring);
    recording_folder_remove(folder);
}

static void every_segment_can_be_read_by_itself(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring *ring = open_ring(folder, &small, NULL);
    for (uint32_t second = 0; second < 60; second++)
        append_second(ring, 7, second);
    disk_ring_close(ring);
    struct disk_ring_list list;
    assert_int_equal(disk_ring_list_folder(folder, &list), 0);
    assert_true(list.count > 5);
    for (size_t i = 0; i < list.count; i++) {
        char text[256];
        assert_int_equal(container_verify(list.path[i], text, sizeof text), CONTAINER_WHOLE);
        struct playback *playback = NULL;
        const char *path = list.path[i];
        assert_int_equal(playback_open(&path, 1, &playback, text, sizeof text), 0);
        const struct record *record = playback_record(playback);
        struct record_run run;
        assert_int_equal(record->seek(record->context, 0), 0);
        while (record->next(record->context, &run) == 1) {
            /* Its time tells which scan it is: the clocks at the segment's front place it. */
            double since_start = (double)playback_elapsed_ns(playback) * 1e-9 - 100 + run.time_s;
            double rate = recording_rate(run.stream);
            recording_check_run(&run, 7, (uint64_t)(since_start * rate + 0.5));
        }
        playback_free(playback);
    }
    disk_ring_list_done(&list);
    recording_folder_remove(folder);
}

static void second_daemon_is_refused(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring *ring = open_ring(folder, &small, NULL);
    struct disk_ring *other = (struct disk_ring *)1;
    struct disk_ring_found found = {.segments = 77};
    assert_int_equal(disk_ring_open(folder, &small, &found, &other), -EBUSY);
    assert_ptr_equal(other, (struct disk_ring *)1);
    assert_int_equal(found.segments, 77);
    disk_ring_close(ring);
    assert_int_equal(disk_ring_open(folder, &small, &found, &other), 0);
    struct chunk chunk = recording_block(0, 1, 0, 10);
    assert_int_equal(disk_ring_append(other, &chunk), -EINVAL); /* no head yet */
    chunk_done(&chunk);
    disk_ring_close(other);
    disk_ring_close(NULL);
    recording_folder_remove(folder);
    assert_int_equal(disk_ring_open("/nowhere/at/all", &small, &found, &other), -ENOENT);
}

/* ---- pins ---- */

static bool all_exist(const struct disk_ring_list *list) {
    for (size_t i = 0; i < list->count; i++)
        if (access(list->path[i], R_OK) < 0)
            return false;
    return true;
}

static void pinned_segments_stay(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring *ring = open_ring(folder, &small, NULL);
    struct disk_ring_list lists[5] = {{0}};
    unsigned seed = 20261; /* the same in every run */
    for (uint32_t second = 0; second < 600; second++) {
        append_second(ring, 1, second);
        struct disk_ring_list *list = &lists[rand_r(&seed) % 5];
        if (list->path && rand_r(&seed) % 30 == 0)
            disk_ring_unpin(ring, list);
        else if (!list->path && rand_r(&seed) % 60 == 0)
            assert_int_equal(disk_ring_pin(ring, list), 0);
        for (size_t i = 0; i < 5; i++)
            assert_true(all_exist(&lists[i]));
    }
    struct disk_ring_state pinned = disk_ring_state(ring);
    for (size_t i = 0; i < 5; i++)
        disk_ring_unpin(ring, &lists[i]);
    assert_true(pinned.segments_pruned > 0);
    assert_int_equal(disk_ring_state(ring).pinned, 0);
    disk_ring_close(ring);
    recording_folder_remove(folder);
}

static void all_pinned_never_blocks(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring *ring = open_ring(folder, &small, NULL);
    struct disk_ring_list all[40];
    size_t lists = 0;
    for (uint32_t second = 0; second < 800; second++) {
        if (second % 20 == 0)
            assert_int_equal(disk_ring_pin(ring, &all[lists++]), 0);
        append_second(ring, 1, second);
    }
    struct disk_ring_state over = disk_ring_state(ring);
    assert_true(over.bytes > small.bytes);
    assert_true(over.bound_exceeded > 0);
    assert_int_equal(over.chunks_dropped, 0);
    assert_true(all_exist(&all[0]));
    while (lists > 0)
        disk_ring_unpin(ring, &all[--lists]);
    append_second(ring, 1, 800); /* the next write makes good for it */
    assert_true(disk_ring_state(ring).bytes <= small.bytes);
    disk_ring_close(ring);
    recording_folder_remove(folder);
}

static void a_stretch_pins_what_it_needs(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring_settings settings = {.bytes = 10000000, .segment_bytes = 20000};
    struct disk_ring *ring = open_ring(folder, &settings, NULL);
    for (uint32_t second = 0; second < 200; second++)
        append_second(ring, 1, second);
    assert_int_equal(disk_ring_sync(ring), 0);
    struct disk_ring_list list;
    int64_t from = 150 * RECORDING_S, to = 170 * RECORDING_S;
    assert_int_equal(disk_ring_pin_stretch(ring, from, to, &list), 0);
    size_t all = disk_ring_state(ring).segments;
    assert_true(list.count > 0 && list.count < all / 4);
    assert_int_equal(disk_ring_state(ring).pinned, list.count);
    struct playback *playback = NULL;
    char why[256];
    assert_int_equal(
        playback_open((const char *const *)list.path, list.count, &playback, why, sizeof why), 0);
    playback_narrow(playback, from, to);
    const struct record *record = playback_record(playback);
    double zero = (double)playback_elapsed_ns(playback) * 1e-9;
    assert_near(zero + record->from_s, 150, 1e-6);
    assert_true(zero + record->to_s >= 170);
    playback_free(playback);
    disk_ring_unpin(ring, &list);

    assert_int_equal(disk_ring_pin_stretch(ring, 1000 * RECORDING_S, 2000 * RECORDING_S, &list), 0);
    assert_int_equal(list.count, 0);
    disk_ring_unpin(ring, &list);
    disk_ring_close(ring);

    /* After a restart in the same boot the old segments' times are known well enough. */
    ring = open_ring(folder, &settings, NULL);
    append_second(ring, 2, 300);
    assert_int_equal(disk_ring_pin_stretch(ring, from, to, &list), 0);
    assert_true(list.count > 0);
    playback = NULL;
    assert_int_equal(
        playback_open((const char *const *)list.path, list.count, &playback, why, sizeof why), 0);
    playback_narrow(playback, from, to);
    record = playback_record(playback);
    zero = (double)playback_elapsed_ns(playback) * 1e-9;
    assert_near(zero + record->from_s, 150, 1e-6);
    assert_true(zero + record->to_s >= 170);
    playback_free(playback);
    disk_ring_unpin(ring, &list);
    disk_ring_close(ring);
    recording_folder_remove(folder);
}

/* ---- recovery ---- */

static void check_untouched(const char *path, const uint8_t *bytes, size_t size) {
    size_t now_size;
    uint8_t *now = recording_file(path, &now_size);
    assert_int_equal(now_size, size);
    assert_memory_equal(now, bytes, size);
    free(now);
}

/* A daemon that was killed: its last segment has no END, and `tail` behind what is sound. */
static void tear_last_segment(const char *folder, const char *name, size_t cut, size_t zeros,
                              size_t garbage) {
    char path[4096];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    size_t size;
    uint8_t *bytes = recording_file(path, &size);
    assert_true(size > cut);
    uint8_t *torn = calloc(1, size + zeros + garbage);
    assert_non_null(torn);
    memcpy(torn, bytes, size - cut);
    for (size_t i = 0; i < garbage; i++)
        torn[size - cut + zeros + i] = (uint8_t)(i * 37 + 11);
    recording_write_file(folder, name, torn, size - cut + zeros + garbage);
    free(torn);
    free(bytes);
}

static void dirty_last_segment_is_left_alone(void **state) {
    (void)state;
    static const struct {
        size_t cut, zeros, garbage, damaged;
    } tails[] = {
        {1, 0, 0, 1},   {32, 0, 0, 0}, /* only END is missing: nothing is damaged */
        {500, 0, 0, 1}, {100, 4096, 0, 1}, {32, 0, 300, 1}, {700, 10, 999, 1},
    };
    for (size_t i = 0; i < sizeof tails / sizeof tails[0]; i++) {
        char *folder = recording_folder();
        struct disk_ring *ring = open_ring(folder, &small, NULL);
        for (uint32_t second = 0; second < 20; second++)
            append_second(ring, second < 15 ? 4 : 5, second);
        size_t segments = disk_ring_state(ring).segments;
        disk_ring_close(ring);
        char name[32], path[4096];
        snprintf(name, sizeof name, "%08zu.ring", segments);
        snprintf(path, sizeof path, "%s/%s", folder, name);
        tear_last_segment(folder, name, tails[i].cut, tails[i].zeros, tails[i].garbage);
        size_t size;
        uint8_t *before = recording_file(path, &size);

        struct disk_ring_found found;
        ring = open_ring(folder, &small, &found);
        assert_int_equal(found.segments, segments);
        assert_int_equal(found.damaged, tails[i].damaged);
        assert_int_equal(found.last_epoch, 5);
        append_second(ring, 6, 30);
        disk_ring_close(ring);
        check_untouched(path, before, size);
        free(before);
        snprintf(name, sizeof name, "%08zu.ring", segments + 1);
        assert_true(recording_exists(folder, name));
        recording_folder_remove(folder);
    }
}

static void foreign_files_are_left_alone(void **state) {
    (void)state;
    static const char text[] = "these are my notes, not yours, and I want to keep them\n";
    static const char *const names[] = {"00000003.ring",     "99999999.ring", "1.ring",
                                        "00000001.ring.bak", "notes.txt",     "ring"};
    char *folder = recording_folder();
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++)
        recording_write_file(folder, names[i], text, sizeof text - 1);
    char path[4096];
    snprintf(path, sizeof path, "%s/00000050.ring", folder);
    assert_int_equal(mkdir(path, 0700), 0);

    struct disk_ring_found found;
    struct disk_ring *ring = open_ring(folder, &small, &found);
    assert_int_equal(found.segments, 0);
    for (uint32_t second = 0; second < 500; second++)
        append_second(ring, 1, second); /* around the ring more than once */
    assert_true(disk_ring_state(ring).segments_pruned > 0);
    assert_false(recording_exists(folder, "100000000.ring")); /* the first: it went */
    disk_ring_close(ring);
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        snprintf(path, sizeof path, "%s/%s", folder, names[i]);
        check_untouched(path, (const uint8_t *)text, sizeof text - 1);
    }
    assert_true(recording_exists(folder, "00000050.ring"));
    recording_folder_remove(folder);
}

static void a_name_in_the_way_is_passed_by(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring *ring = open_ring(folder, &small, NULL);
    /* Put there after the opening, where the next segments would go. */
    recording_write_file(folder, "00000001.ring", "mine", 4);
    recording_write_file(folder, "00000002.ring", "mine", 4);
    for (uint32_t second = 0; second < 3; second++)
        for (size_t tries = 0;; tries++) {
            struct chunk chunk = recording_block(0, 1, second * 100u, 100);
            int error = disk_ring_append(ring, &chunk);
            chunk_done(&chunk);
            if (!error)
                break;
            assert_true(tries < 3);
        }
    disk_ring_close(ring);
    assert_true(recording_exists(folder, "00000003.ring"));
    char path[4096];
    snprintf(path, sizeof path, "%s/00000001.ring", folder);
    check_untouched(path, (const uint8_t *)"mine", 4);
    recording_folder_remove(folder);
}

/* A segment whose first bytes never reached the disk is ours: it counts, and goes in its turn. */
static void empty_and_zero_segments_are_ours(void **state) {
    (void)state;
    char *folder = recording_folder();
    static const char zeros[5000];
    recording_write_file(folder, "00000001.ring", "", 0);
    recording_write_file(folder, "00000002.ring", zeros, sizeof zeros);
    struct disk_ring_found found;
    struct disk_ring *ring = open_ring(folder, &small, &found);
    assert_int_equal(found.segments, 2);
    assert_int_equal(found.last_epoch, 0);
    for (uint32_t second = 0; second < 500; second++)
        append_second(ring, 1, second);
    disk_ring_close(ring);
    assert_false(recording_exists(folder, "00000001.ring"));
    assert_false(recording_exists(folder, "00000002.ring"));
    recording_folder_remove(folder);
}

static void a_smaller_bound_is_kept_from_the_opening_on(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring *ring = open_ring(folder, &small, NULL);
    for (uint32_t second = 0; second < 100; second++)
        append_second(ring, 1, second);
    disk_ring_close(ring);
    struct disk_ring_settings smaller = {.bytes = 100000, .segment_bytes = 10000};
    ring = open_ring(folder, &smaller, NULL);
    assert_true(disk_ring_state(ring).bytes <= smaller.bytes);
    disk_ring_close(ring);
    /* And a bound of less than a segment still holds the newest data. */
    struct disk_ring_settings tiny = {.bytes = 1000};
    ring = open_ring(folder, &tiny, NULL);
    append_second(ring, 2, 200);
    assert_int_equal(disk_ring_sync(ring), 0);
    assert_true(disk_ring_state(ring).segments <= 2);
    disk_ring_close(ring);
    recording_folder_remove(folder);
}

static void head_changes_reach_every_later_segment(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring *ring = open_ring(folder, &small, NULL);
    append_second(ring, 1, 0);
    char *head = recording_head();
    char *changed = NULL;
    assert_true(asprintf(&changed, " %s", head) > 0);
    struct chunk chunk = {0};
    assert_int_equal(chunk_text(&chunk, CHUNK_HEAD, changed, 0), 0);
    append(ring, chunk);
    for (uint32_t second = 1; second < 40; second++)
        append_second(ring, 1, second);
    disk_ring_close(ring);
    struct disk_ring_list list;
    assert_int_equal(disk_ring_list_folder(folder, &list), 0);
    for (size_t i = 0; i < list.count; i++) {
        struct container_reader *reader = NULL;
        assert_int_equal(container_open(list.path[i], &reader), 0);
        const char *json;
        size_t length;
        assert_int_equal(container_read(reader, 0, &chunk), 0);
        assert_int_equal(chunk_parse_text(&chunk, &json, &length), 0);
        const char *expected = i == 0 ? head : changed;
        assert_int_equal(length, strlen(expected));
        assert_memory_equal(json, expected, length);
        chunk_done(&chunk);
        container_reader_free(reader);
    }
    disk_ring_list_done(&list);
    free(head);
    free(changed);
    recording_folder_remove(folder);
}

/* Every byte that went into a file, and every sample that it went there for. */
static void what_is_written_is_counted(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct disk_ring_settings settings = {.bytes = 50u << 20, .segment_bytes = 20000};
    struct disk_ring_found found;
    struct disk_ring *ring = NULL;
    struct disk_ring_list list;
    assert_int_equal(disk_ring_open(folder, &settings, &found, &ring), 0);
    char *head = recording_head();
    assert_int_equal(disk_ring_set_head(ring, head), 0);
    free(head);
    for (uint64_t i = 0; i < 100; i++) {
        struct chunk chunk = recording_block(0, 1, i * 500, 500); /* of two inputs */
        assert_int_equal(disk_ring_append(ring, &chunk), 0);
        chunk_done(&chunk);
    }
    assert_int_equal(disk_ring_sync(ring), 0);
    struct disk_ring_state end = disk_ring_state(ring);
    uint64_t bytes = 0;
    assert_int_equal(disk_ring_list_folder(folder, &list), 0);
    assert_true(list.count > 2);
    for (size_t i = 0; i < list.count; i++) {
        struct stat facts;
        assert_int_equal(stat(list.path[i], &facts), 0);
        bytes += (uint64_t)facts.st_size;
    }
    assert_int_equal(end.bytes_written, bytes);
    assert_int_equal(end.samples_written, 100 * 500 * 2);
    assert_true(end.open_s > 0);
    disk_ring_list_done(&list);
    disk_ring_close(ring);
    recording_folder_remove(folder);
}

/* All of a closed ring's segments as another version would have written them. */
static void make_another_version(const char *folder) {
    struct disk_ring_list list;
    assert_int_equal(disk_ring_list_folder(folder, &list), 0);
    for (size_t i = 0; i < list.count; i++) {
        size_t size;
        uint8_t *bytes = recording_file(list.path[i], &size);
        size_t at = 0;
        while (at < size) { /* the offsets are those of docs/format.md */
            size_t length = 32 + (size_t)bytes[at + 8] + ((size_t)bytes[at + 9] << 8) +
                            ((size_t)bytes[at + 10] << 16);
            bytes[at + 4] = CHUNK_VERSION + 1;
            uint32_t sum = (uint32_t)crc32(0, bytes + at, 28);
            for (int k = 0; k < 4; k++)
                bytes[at + 28 + (size_t)k] = (uint8_t)(sum >> (8 * k));
            at += length;
        }
        recording_write_file(folder, strrchr(list.path[i], '/') + 1, bytes, size);
        free(bytes);
    }
    disk_ring_list_done(&list);
}

static void what_another_version_wrote_is_set_aside(void **state) {
    (void)state;
    char *folder = recording_folder();
    char *aside[2];
    for (size_t round = 0; round < 2; round++) {
        struct disk_ring_found found;
        struct disk_ring *ring = open_ring(folder, &small, &found);
        assert_null(disk_ring_set_aside(ring));
        for (uint32_t second = 0; second < 100; second++)
            append_second(ring, 1, second);
        size_t segments = disk_ring_state(ring).segments;
        assert_true(segments > 1);
        disk_ring_close(ring);
        make_another_version(folder);

        ring = open_ring(folder, &small, &found);
        assert_int_equal(found.segments, 0);
        assert_int_equal(found.set_aside, segments);
        assert_true(asprintf(&aside[round], "%s-set-aside%s", folder, round == 0 ? "" : "-2") > 0);
        assert_string_equal(disk_ring_set_aside(ring), aside[round]);
        for (size_t number = 1; round == 0 && number <= segments; number++) {
            char name[32];
            snprintf(name, sizeof name, "%08zu.ring", number);
            assert_true(recording_exists(aside[round], name));
            assert_false(recording_exists(folder, name));
        }
        append_second(ring, 1, 0); /* and goes on, under new numbers */
        disk_ring_close(ring);
    }
    recording_folder_remove(aside[0]);
    recording_folder_remove(aside[1]);
    recording_folder_remove(folder);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bound_holds_and_the_oldest_go),
        cmocka_unit_test(every_segment_can_be_read_by_itself),
        cmocka_unit_test(second_daemon_is_refused),
        cmocka_unit_test(pinned_segments_stay),
        cmocka_unit_test(all_pinned_never_blocks),
        cmocka_unit_test(a_stretch_pins_what_it_needs),
        cmocka_unit_test(dirty_last_segment_is_left_alone),
        cmocka_unit_test(foreign_files_are_left_alone),
        cmocka_unit_test(what_another_version_wrote_is_set_aside),
        cmocka_unit_test(a_name_in_the_way_is_passed_by),
        cmocka_unit_test(empty_and_zero_segments_are_ours),
        cmocka_unit_test(a_smaller_bound_is_kept_from_the_opening_on),
        cmocka_unit_test(head_changes_reach_every_later_segment),
        cmocka_unit_test(what_is_written_is_counted),
    };
    return cmocka_run_group_tests_name("disk_ring", tests, NULL, NULL);
}
