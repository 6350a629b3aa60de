// SPDX-License-Identifier: Apache-2.0
/*
 * ring_notes_test.c - marks and reasons out of a ring: as they were written, however often and in
 * whatever pieces it is looked at, and of the newest boot only.
 */
#include "recording_helper.h"

#include "disk_ring.h"
#include "ring_notes.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FOR_EVER INT64_C(60000000000)

static void append(struct disk_ring *ring, struct chunk chunk) {
    assert_int_equal(disk_ring_append(ring, &chunk), 0);
    chunk_done(&chunk);
}

static struct disk_ring *open_ring(const char *folder, uint64_t segment_bytes) {
    struct disk_ring_settings settings = {.bytes = 1u << 30, .segment_bytes = segment_bytes};
    struct disk_ring_found found;
    struct disk_ring *ring = NULL;
    assert_int_equal(disk_ring_open(folder, &settings, &found, &ring), 0);
    assert_int_equal(disk_ring_set_head(ring, "{}"), 0);
    return ring;
}

static struct chunk loss_at(uint16_t stream, uint64_t scans, const char *reason, double at_s) {
    struct chunk chunk = recording_loss(stream, 1, 1000, scans, reason);
    chunk.from_ns = (int64_t)(at_s * 1e9);
    chunk.to_ns = chunk.from_ns + (scans == RECORD_LOSS_UNKNOWN ? 0 : (int64_t)scans * 1000000);
    return chunk;
}

/* A mark in every second, of this boot. */
static void record(struct disk_ring *ring, uint8_t boot, int first_s, int seconds) {
    append(ring, recording_clock(0, 1, 0, first_s * RECORDING_S, 0, 1000, boot));
    for (int i = first_s; i < first_s + seconds; i++) {
        char json[40];
        snprintf(json, sizeof json, "{\"second\":%d}", i);
        append(ring, recording_block(0, 1, (uint64_t)(i - first_s) * 1000, 1000));
        append(ring, recording_mark(json, i * RECORDING_S));
    }
}

struct taken {
    int count, next;
};

static void take(void *context, int64_t at_ns, const char *json) {
    struct taken *taken = context;
    char expected[40];
    snprintf(expected, sizeof expected, "{\"second\":%d}", taken->next);
    assert_string_equal(json, expected);
    assert_int_equal(at_ns, taken->next * RECORDING_S);
    taken->next++;
    taken->count++;
}

static int marks(struct ring_notes *notes, int from_s, int to_s) {
    struct taken taken = {.next = from_s};
    ring_notes_marks(notes, from_s * RECORDING_S, to_s * RECORDING_S, take, &taken);
    return taken.count;
}

static void marks_as_they_come(void **state) {
    (void)state;
    char *folder = recording_folder();
    struct ring_notes *notes;
    assert_int_equal(ring_notes_new(folder, &notes), 0);
    struct disk_ring *ring = open_ring(folder, 0);
    assert_true(ring_notes_look(notes, FOR_EVER));
    assert_int_equal(marks(notes, 0, 1000), 0);
    record(ring, 1, 100, 5);
    assert_int_equal(disk_ring_sync(ring), 0);
    assert_true(ring_notes_look(notes, FOR_EVER));
    assert_true(ring_notes_look(notes, FOR_EVER)); /* nothing is there twice */
    assert_int_equal(marks(notes, 100, 200), 5);
    assert_int_equal(marks(notes, 102, 103), 2);
    record(ring, 1, 105, 3);
    assert_int_equal(disk_ring_sync(ring), 0);
    /* However little it may take, it gets to the end, a chunk at least each time. */
    int looks = 1;
    while (!ring_notes_look(notes, 0))
        looks++;
    assert_true(looks > 1 && looks < 20);
    assert_int_equal(marks(notes, 100, 200), 8);
    disk_ring_close(ring);

    /* Another boot counts from anew: the older one's marks are of other moments. */
    ring = open_ring(folder, 0);
    record(ring, 2, 3, 4);
    disk_ring_close(ring);
    assert_true(ring_notes_look(notes, FOR_EVER));
    assert_int_equal(marks(notes, 3, 1000), 4);
    ring_notes_free(notes);
    recording_folder_remove(folder);
}

static void why_scans_are_missing(void **state) {
    (void)state;
    char *folder = recording_folder();
    char reason[RING_NOTE_TEXT] = "untouched";
    struct ring_notes *notes;
    struct disk_ring *ring = open_ring(folder, 0);
    record(ring, 1, 10, 1);
    append(ring, loss_at(0, 500, "packet lost", 11));
    append(ring, loss_at(1, 500, "of another board", 11));
    append(ring, loss_at(0, RECORD_LOSS_UNKNOWN, "unplugged", 20));
    disk_ring_close(ring);
    assert_int_equal(ring_notes_new(folder, &notes), 0);
    assert_true(ring_notes_look(notes, FOR_EVER));
    int64_t second = RECORDING_S;
    assert_true(ring_notes_reason(notes, 0, 11 * second, 11 * second + second / 2, false, reason));
    assert_string_equal(reason, "packet lost");
    assert_true(ring_notes_reason(notes, 0, 20 * second, 90 * second, true, reason));
    assert_string_equal(reason, "unplugged");
    assert_false(ring_notes_reason(notes, 0, 30 * second, 31 * second, false, reason));
    assert_false(ring_notes_reason(notes, 2, 11 * second, 12 * second, false, reason));
    assert_string_equal(reason, "unplugged");
    ring_notes_free(notes);
    recording_folder_remove(folder);
}

/* What is gone is forgotten; what is damaged ends there; where there is no ring there is nothing.
 */
static void gone_and_damaged(void **state) {
    (void)state;
    char *folder = recording_folder();
    char path[256];
    size_t size;
    struct ring_notes *notes;
    struct disk_ring *ring = open_ring(folder, 0);
    record(ring, 1, 10, 3);
    disk_ring_close(ring);
    ring = open_ring(folder, 0);
    record(ring, 1, 13, 3);
    disk_ring_close(ring);
    assert_int_equal(ring_notes_new(folder, &notes), 0);
    assert_true(ring_notes_look(notes, FOR_EVER));
    assert_int_equal(marks(notes, 10, 20), 6);
    snprintf(path, sizeof path, "%s/00000001.ring", folder);
    uint8_t *bytes = recording_file(path, &size);
    assert_int_equal(remove(path), 0);
    assert_true(ring_notes_look(notes, FOR_EVER));
    assert_int_equal(marks(notes, 13, 20), 3);
    struct taken none = {.next = 13};
    ring_notes_marks(notes, 0, 12 * RECORDING_S, take, &none);
    assert_int_equal(none.count, 0);
    ring_notes_free(notes);

    memset(bytes + size / 2, 0, size / 4);
    recording_write_file(folder, "00000001.ring", bytes, size);
    assert_int_equal(ring_notes_new(folder, &notes), 0);
    assert_true(ring_notes_look(notes, FOR_EVER));
    assert_int_equal(marks(notes, 13, 20), 3);
    ring_notes_free(notes);
    free(bytes);
    recording_folder_remove(folder);
    assert_int_equal(ring_notes_new("/nowhere/at/all", &notes), 0);
    assert_false(ring_notes_look(notes, FOR_EVER));
    assert_int_equal(marks(notes, 0, 20), 0);
    ring_notes_free(notes);
    ring_notes_free(NULL);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(marks_as_they_come),
        cmocka_unit_test(why_scans_are_missing),
        cmocka_unit_test(gone_and_damaged),
    };
    return cmocka_run_group_tests_name("ring_notes", tests, NULL, NULL);
}
