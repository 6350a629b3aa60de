// SPDX-License-Identifier: Apache-2.0
/*
 * stretch_test.c - what a snapshot holds: whole blocks, losses, clocks and marks of its stretch,
 * before, during and after; merging.
 */
#include "cmocka_helper.h"
#include "shelf_helper.h"

#include <errno.h>
#include <math.h>
#include <string.h>
#include <unistd.h>

#define RING_BYTES (64u << 20)

/* A container that is closed properly has its latest head at the end once more. */
#define CLOSING_HEAD 1

/* The second of the block that holds this moment of a board. */
static unsigned block_at(double second, size_t board) {
    return (unsigned)floor(second - 0.3 * (double)board);
}

/* The file holds exactly the blocks of [from, to], of both boards. */
static void assert_holds(const struct shelf *shelf, unsigned number, double from, double to,
                         struct shelf_file *file) {
    assert_true(shelf_look(shelf, number, file));
    assert_true(file->whole);
    assert_true(file->sound);
    for (size_t board = 0; board < SHELF_BOARDS; board++) {
        assert_int_equal(file->first[board], block_at(from, board));
        assert_int_equal(file->last[board], block_at(to, board));
        assert_int_equal(file->blocks[board], file->last[board] - file->first[board] + 1);
    }
    snapshot_note_done(&file->note);
}

static void test_past(void **state) {
    (void)state;
    struct shelf shelf;
    struct shelf_file file;
    shelf_open(&shelf, RING_BYTES);
    shelf_start(&shelf);
    shelf_write(&shelf, 10);
    shelf_mark(&shelf, "{\"kind\":\"trigger\",\"trigger\":\"too early\"}");
    shelf_write(&shelf, 15);
    shelf_loss(&shelf, 7);
    shelf_mark(&shelf, "{\"kind\":\"trigger\",\"trigger\":\"inside\"}");
    shelf_write(&shelf, 60);
    shelf_loss(&shelf, 9);
    shelf_write(&shelf, 15);
    int number = shelf_request(&shelf, 20.5, 40.5);
    assert_int_equal(number, 1);
    assert_int_equal(snapshots_wait(shelf.snapshots, 1, SHELF_WAIT_MS), 0);
    assert_false(shelf_has(&shelf, 1, ".crank.part"));
    assert_true(shelf_look(&shelf, 1, &file));
    assert_int_equal(file.heads, 1 + CLOSING_HEAD);
    assert_int_equal(file.clocks, 2); /* of second 0: they place the first blocks */
    assert_int_equal(file.losses, 1);
    assert_int_equal(file.lost, 7);
    assert_int_equal(file.marks, 1);
    assert_int_equal(file.note.number, 1);
    assert_int_equal(file.note.from_ns, shelf_ns(&shelf, 20.5));
    assert_int_equal(file.note.to_ns, shelf_ns(&shelf, 40.5));
    assert_false(file.note.cut_short);
    assert_string_equal(file.note.trigger, "manual");
    assert_string_equal(file.note.text, "asked for by a test");
    snapshot_note_done(&file.note);
    assert_holds(&shelf, 1, 20.5, 40.5, &file);
    struct snapshot_state now;
    snapshots_state(shelf.snapshots, &now);
    assert_int_equal(now.saved, 1);
    assert_int_equal(now.failed, 0);
    assert_true(now.room && !now.saving && now.bytes > 0);
    assert_int_equal(snapshots_wait(shelf.snapshots, 2, 0), -ENOENT);
    /* A stretch over the minute has that minute's clocks too. */
    assert_int_equal(shelf_request(&shelf, 50.5, 70.5), 2);
    assert_int_equal(snapshots_wait(shelf.snapshots, 2, SHELF_WAIT_MS), 0);
    assert_holds(&shelf, 2, 50.5, 70.5, &file);
    assert_int_equal(file.clocks, 4);
    shelf_close(&shelf);
}

/* The before-part is written at once, the after-part as its time comes. */
static void test_after(void **state) {
    (void)state;
    struct shelf shelf;
    struct shelf_file file;
    shelf_open(&shelf, RING_BYTES);
    shelf_start(&shelf);
    shelf_write(&shelf, 30);
    assert_int_equal(shelf_request(&shelf, 10.5, 50.5), 1);
    assert_true(shelf_await(&shelf, 1, ".crank.part", 1));
    assert_int_equal(snapshots_wait(shelf.snapshots, 1, 0), -ETIMEDOUT);
    struct snapshot_state now;
    snapshots_state(shelf.snapshots, &now);
    assert_true(now.saving);
    shelf_write(&shelf, 25);
    assert_int_equal(snapshots_wait(shelf.snapshots, 1, SHELF_WAIT_MS), 0);
    assert_holds(&shelf, 1, 10.5, 50.5, &file);
    assert_false(file.note.cut_short);
    shelf_stop(&shelf); /* its thread tells last of all that it has finished */
    assert_true(shelf.flushed > 0);
    assert_int_equal(shelf.finished, 1);
    shelf_close(&shelf);
}

static void test_merge(void **state) {
    (void)state;
    struct shelf shelf;
    struct shelf_file file;
    shelf_open(&shelf, RING_BYTES);
    shelf.settings.merge_s = 60.0;
    shelf_start(&shelf);
    shelf_write(&shelf, 30);
    assert_int_equal(shelf_request(&shelf, 20.5, 40.5), 1);
    assert_true(shelf_await(&shelf, 1, ".crank.part", 1));
    assert_int_equal(shelf_request(&shelf, 35.5, 55.5), 1); /* touches */
    assert_int_equal(shelf_request(&shelf, 10.5, 30.5), 1); /* begins earlier */
    assert_int_equal(shelf_request(&shelf, 12.5, 20.5), 1); /* lies inside */
    shelf_write(&shelf, 12);
    assert_int_equal(shelf_request(&shelf, 60.5, 65.5), 2); /* does not touch */
    assert_int_equal(shelf_request(&shelf, 40.5, 80.5), 2); /* too long for 1, not for 2 */
    assert_int_equal(shelf_request(&shelf, 5.5, 90.5), 3);  /* too long for both */
    shelf_write(&shelf, 60);
    for (unsigned number = 1; number <= 3; number++)
        assert_int_equal(snapshots_wait(shelf.snapshots, number, SHELF_WAIT_MS), 0);
    assert_holds(&shelf, 1, 10.5, 55.5, &file);
    assert_holds(&shelf, 2, 40.5, 80.5, &file);
    assert_holds(&shelf, 3, 5.5, 90.5, &file);
    struct shelf_file again;
    assert_true(shelf_look(&shelf, 1, &again));
    assert_int_equal(again.note.from_ns, shelf_ns(&shelf, 10.5));
    assert_int_equal(again.note.to_ns, shelf_ns(&shelf, 55.5));
    snapshot_note_done(&again.note);
    shelf_close(&shelf);
}

/* Lengthened when the ring is already beyond the old end: nothing in between is missing. */
static void test_lengthen_late(void **state) {
    (void)state;
    struct shelf shelf;
    struct shelf_file file;
    shelf_open(&shelf, RING_BYTES);
    shelf_start(&shelf);
    for (unsigned round = 0; round < 5; round++) {
        double begin = shelf.seconds;
        shelf_write(&shelf, 20);
        unsigned number = round + 1;
        assert_int_equal(shelf_request(&shelf, begin + 10.5, begin + 25.5), number);
        assert_true(shelf_await(&shelf, number, ".crank.part", 1));
        shelf_write(&shelf, 4);
        /* Some seconds too far at once, as an accelerated simulation is. */
        shelf_write(&shelf, 8);
        int lengthened = shelf_request(&shelf, begin + 20.5, begin + 40.5);
        shelf_write(&shelf, 15);
        assert_int_equal(snapshots_wait(shelf.snapshots, number, SHELF_WAIT_MS), 0);
        assert_int_equal(lengthened, number);
        assert_holds(&shelf, number, begin + 10.5, begin + 40.5, &file);
        shelf_write(&shelf, 20);
    }
    shelf_close(&shelf);
}

static void test_stop_cuts_short(void **state) {
    (void)state;
    struct shelf shelf;
    struct shelf_file file;
    shelf_open(&shelf, RING_BYTES);
    shelf_start(&shelf);
    shelf_write(&shelf, 30);
    assert_int_equal(shelf_request(&shelf, 10.5, 50.5), 1);
    shelf_write(&shelf, 5);
    shelf_stop(&shelf);
    assert_true(shelf_look(&shelf, 1, &file));
    assert_true(file.whole && file.sound && file.note.cut_short);
    assert_int_equal(file.first[0], 10);
    assert_int_equal(file.last[0], 34);
    snapshot_note_done(&file.note);
    shelf_close(&shelf);
}

/* A board that vanishes in the after-part: its time passes all the same. It comes back later. */
static void test_board_vanishes(void **state) {
    (void)state;
    struct shelf shelf;
    struct shelf_file file;
    shelf_open(&shelf, RING_BYTES);
    shelf_start(&shelf);
    shelf_write(&shelf, 30);
    assert_int_equal(shelf_request(&shelf, 10.5, 50.5), 1);
    shelf_pass(&shelf, 10);
    shelf_write(&shelf, 5); /* a new epoch, 40 to 45 */
    shelf_pass(&shelf, 20);
    assert_int_equal(snapshots_wait(shelf.snapshots, 1, SHELF_WAIT_MS), 0);
    assert_true(shelf_look(&shelf, 1, &file));
    assert_true(file.whole && file.sound);
    assert_false(file.note.cut_short);
    assert_int_equal(file.blocks[0], 20 + 5);
    assert_int_equal(file.clocks, 4);
    snapshot_note_done(&file.note);
    /* Nothing at all was sent in this one. */
    assert_int_equal(shelf_request(&shelf, 50.5, 60.5), 2);
    assert_int_equal(snapshots_wait(shelf.snapshots, 2, SHELF_WAIT_MS), -ENODATA);
    assert_false(shelf_has(&shelf, 2, ".crank"));
    assert_false(shelf_has(&shelf, 2, ".crank.part"));
    assert_non_null(strstr(shelf.problem, "nothing of that stretch"));
    shelf_close(&shelf);
}

/* A simulated time that has come to its end: cut short, not waited for until the end of days. */
static void test_time_stands_still(void **state) {
    (void)state;
    struct shelf shelf;
    struct shelf_file file;
    shelf_open(&shelf, RING_BYTES);
    shelf_start(&shelf);
    shelf_write(&shelf, 30);
    assert_int_equal(shelf_request(&shelf, 10.5, 50.5), 1);
    assert_int_equal(snapshots_wait(shelf.snapshots, 1, SHELF_WAIT_MS), 0);
    assert_true(shelf_look(&shelf, 1, &file));
    assert_true(file.whole && file.note.cut_short);
    snapshot_note_done(&file.note);
    shelf_close(&shelf);
}

/* Blocks of another boot have times that mean nothing here, whatever their numbers. */
static void test_other_boot(void **state) {
    (void)state;
    struct shelf shelf;
    struct shelf_file file;
    shelf_open(&shelf, RING_BYTES);
    shelf_write(&shelf, 20);
    int64_t start_ns = shelf.start_ns;
    timebase_free(shelf.timebase);
    assert_int_equal(timebase_new(&shelf.timebase), 0);
    timebase_take_over(shelf.timebase, 0);
    shelf.start_ns = timebase_elapsed_ns(shelf.timebase);
    assert_true(shelf.start_ns - start_ns < 10 * (int64_t)SHELF_SECOND); /* they do overlap */
    shelf.epoch = 2;
    shelf.seconds = 0;
    shelf_start(&shelf);
    shelf_write(&shelf, 20);
    assert_int_equal(shelf_request(&shelf, 5.5, 15.5), 1);
    assert_int_equal(snapshots_wait(shelf.snapshots, 1, SHELF_WAIT_MS), 0);
    assert_holds(&shelf, 1, 5.5, 15.5, &file);
    assert_int_equal(file.clocks, 2);
    shelf_close(&shelf);
}

/* Somebody marks a moment before the hookup changed: the samples stay what their own head says. */
static void test_mark_of_before_the_head(void **state) {
    (void)state;
    struct shelf shelf;
    struct shelf_file file;
    struct chunk mark = {0};
    shelf_open(&shelf, RING_BYTES);
    shelf_start(&shelf);
    shelf_write(&shelf, 10);
    assert_int_equal(disk_ring_set_head(shelf.ring, "{\"made\":\"by a test\",\"again\":1}"), 0);
    shelf_write(&shelf, 10);
    const char *json = "{\"kind\":\"trigger\",\"trigger\":\"manual\"}";
    assert_int_equal(chunk_text(&mark, CHUNK_MARK, json, shelf_ns(&shelf, 5)), 0);
    assert_int_equal(disk_ring_append(shelf.ring, &mark), 0);
    chunk_done(&mark);
    shelf_write(&shelf, 1);
    assert_int_equal(shelf_request(&shelf, 2.5, 7.5), 1);
    assert_int_equal(snapshots_wait(shelf.snapshots, 1, SHELF_WAIT_MS), 0);
    assert_holds(&shelf, 1, 2.5, 7.5, &file);
    assert_int_equal(file.marks, 1);
    assert_int_equal(file.heads, 1 + CLOSING_HEAD);
    shelf_close(&shelf);
}

/* The head changes (a second board was described): the file has both, in place. */
static void test_head_changes(void **state) {
    (void)state;
    struct shelf shelf;
    struct shelf_file file;
    shelf_open(&shelf, RING_BYTES);
    shelf_start(&shelf);
    shelf_write(&shelf, 10);
    assert_int_equal(disk_ring_set_head(shelf.ring, "{\"made\":\"by a test\",\"again\":1}"), 0);
    shelf_write(&shelf, 10);
    assert_int_equal(shelf_request(&shelf, 5.5, 15.5), 1);
    assert_int_equal(snapshots_wait(shelf.snapshots, 1, SHELF_WAIT_MS), 0);
    assert_holds(&shelf, 1, 5.5, 15.5, &file);
    assert_int_equal(file.heads, 2 + CLOSING_HEAD);
    assert_int_equal(shelf_request(&shelf, 12.5, 15.5), 2);
    assert_int_equal(snapshots_wait(shelf.snapshots, 2, SHELF_WAIT_MS), 0);
    assert_holds(&shelf, 2, 12.5, 15.5, &file);
    assert_int_equal(file.heads, 1 + CLOSING_HEAD);
    shelf_close(&shelf);
}

/* A ring far smaller than the stretch goes on pruning, and what a snapshot reads stays readable. */
static void test_small_ring(void **state) {
    (void)state;
    struct shelf shelf;
    struct shelf_file file;
    shelf_open(&shelf, 1u << 20);
    shelf.padding = 40; /* some 12 kB a second and board */
    shelf_start(&shelf);
    shelf_write(&shelf, 10);
    assert_int_equal(shelf_request(&shelf, 5.5, 120.5), 1);
    for (int i = 0; i < 115; i++) {
        shelf_write(&shelf, 1);
        if (i % 10 == 0) /* the copy may lag, but not by a whole ring */
            assert_true(shelf_await(&shelf, 1, ".crank.part", (uint64_t)(i + 1) * 20000));
    }
    assert_int_equal(snapshots_wait(shelf.snapshots, 1, SHELF_WAIT_MS), 0);
    assert_holds(&shelf, 1, 5.5, 120.5, &file);
    struct disk_ring_state ring = disk_ring_state(shelf.ring);
    assert_true(ring.segments_pruned > 0);
    assert_true(ring.bytes <= (1u << 20) + (64u << 10)); /* its bound and a segment */
    assert_int_equal(ring.pinned, 0);
    shelf_close(&shelf);
}

/* By the computer's own clock: the stretch ends although nothing drives the time. */
static void test_real_time(void **state) {
    (void)state;
    struct shelf shelf;
    struct shelf_file file;
    shelf_open(&shelf, RING_BYTES);
    timebase_free(shelf.timebase);
    assert_int_equal(timebase_new(&shelf.timebase), 0);
    shelf.start_ns = timebase_elapsed_ns(shelf.timebase) - 5 * (int64_t)SHELF_SECOND;
    shelf_write(&shelf, 5); /* driving does nothing: the last five seconds */
    shelf_start(&shelf);
    assert_int_equal(shelf_request(&shelf, 1.5, 5.7), 1);
    assert_int_equal(snapshots_wait(shelf.snapshots, 1, SHELF_WAIT_MS), 0);
    assert_true(timebase_elapsed_ns(shelf.timebase) > shelf_ns(&shelf, 5.7));
    assert_true(shelf_look(&shelf, 1, &file));
    assert_true(file.whole && file.sound && !file.note.cut_short);
    assert_int_equal(file.blocks[0], 4);
    snapshot_note_done(&file.note);
    shelf_close(&shelf);
}

/* ---- many askers ---- */

static void *ask(void *argument) {
    struct shelf *shelf = argument;
    for (int i = 0; i < 50; i++) {
        struct snapshot_state now;
        int number = shelf_request(shelf, 5.5 + i, 8.5 + i);
        assert_true(number > 0);
        snapshots_state(shelf->snapshots, &now);
        (void)snapshots_wait(shelf->snapshots, (unsigned)number, 2);
    }
    return NULL;
}

static void test_many_askers(void **state) {
    (void)state;
    struct shelf shelf;
    pthread_t threads[3];
    shelf_open(&shelf, RING_BYTES);
    shelf.settings.merge_s = 10.0;
    shelf_start(&shelf);
    shelf_write(&shelf, 10);
    for (int i = 0; i < 3; i++)
        assert_int_equal(pthread_create(&threads[i], NULL, ask, &shelf), 0);
    shelf_write(&shelf, 70);
    for (int i = 0; i < 3; i++)
        pthread_join(threads[i], NULL);
    struct snapshot_entry *entries = NULL;
    size_t count = 0;
    shelf_stop(&shelf);
    assert_int_equal(snapshot_list(shelf.snapshot_folder, &entries, &count), 0);
    assert_true(count > 0);
    for (size_t i = 0; i < count; i++) {
        struct shelf_file file;
        assert_true(shelf_look(&shelf, entries[i].number, &file));
        assert_true(file.whole && file.sound);
        snapshot_note_done(&file.note);
    }
    snapshot_list_free(entries, count);
    shelf_close(&shelf);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_past),
        cmocka_unit_test(test_after),
        cmocka_unit_test(test_merge),
        cmocka_unit_test(test_lengthen_late),
        cmocka_unit_test(test_stop_cuts_short),
        cmocka_unit_test(test_board_vanishes),
        cmocka_unit_test(test_time_stands_still),
        cmocka_unit_test(test_other_boot),
        cmocka_unit_test(test_mark_of_before_the_head),
        cmocka_unit_test(test_head_changes),
        cmocka_unit_test(test_small_ring),
        cmocka_unit_test(test_real_time),
        cmocka_unit_test(test_many_askers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
