// SPDX-License-Identifier: Apache-2.0
/*
 * keeping_test.c - the folder: numbers, the list, quota, a full disk; snapshots that a killed
 * process has left.
 */
#include "cmocka_helper.h"
#include "shelf_helper.h"

#include <errno.h>
#include <fcntl.h>
#include <sched.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mount.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

#define RING_BYTES (64u << 20)

static void path_in(const struct shelf *shelf, const char *name, char path[160]) {
    snprintf(path, 160, "%s/%s", shelf->snapshot_folder, name);
}

static void put_file(const struct shelf *shelf, const char *name, const char *bytes) {
    char path[160];
    path_in(shelf, name, path);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fputs(bytes, file);
    assert_int_equal(fclose(file), 0);
}

static void take_file(const struct shelf *shelf, const char *name) {
    char path[160];
    path_in(shelf, name, path);
    assert_int_equal(unlink(path), 0);
}

/* ---- numbers and the list ---- */

static void save_one(struct shelf *shelf, unsigned number) {
    assert_int_equal(shelf_request(shelf, 2.5, 4.5), number);
    assert_int_equal(snapshots_wait(shelf->snapshots, number, SHELF_WAIT_MS), 0);
}

static void test_numbers(void **state) {
    (void)state;
    struct shelf shelf;
    shelf_open(&shelf, RING_BYTES);
    shelf_start(&shelf);
    shelf_write(&shelf, 10);
    save_one(&shelf, 1);
    save_one(&shelf, 2);
    shelf_stop(&shelf);
    take_file(&shelf, "0002.crank"); /* deleted, by hand or not: its number is not given again */
    shelf_start(&shelf);
    save_one(&shelf, 3);
    shelf_stop(&shelf);
    take_file(&shelf, "last-number");
    put_file(&shelf, "0007.json", "{}"); /* a report that outlived its snapshot counts too */
    shelf_start(&shelf);
    save_one(&shelf, 8);
    assert_int_equal(snapshots_wait(shelf.snapshots, 1, 0), 0); /* of an earlier time */
    assert_int_equal(snapshots_wait(shelf.snapshots, 2, 0), -ENOENT);
    struct snapshot_request backwards = {.from_ns = 2, .to_ns = 1};
    assert_int_equal(snapshots_request(shelf.snapshots, &backwards), -EINVAL);
    shelf_close(&shelf);
}

static void test_list(void **state) {
    (void)state;
    struct shelf shelf;
    struct snapshot_entry *entries = NULL;
    size_t count = 0;
    shelf_open(&shelf, RING_BYTES);
    assert_int_equal(snapshot_list(shelf.snapshot_folder, &entries, &count), -ENOENT);
    shelf_start(&shelf);
    shelf_stop(&shelf);
    assert_int_equal(snapshot_list(shelf.snapshot_folder, &entries, &count), 0);
    assert_int_equal(count, 0);
    snapshot_list_free(entries, count);
    put_file(&shelf, "0012.crank", "twelve");
    put_file(&shelf, "0012.json", "{}");
    put_file(&shelf, "0003.crank", "three");
    put_file(&shelf, "10234.crank", "many");
    put_file(&shelf, "0004.crank.part", "no");
    put_file(&shelf, "5.crank", "no");
    put_file(&shelf, "00006.crank", "no");
    put_file(&shelf, "0000.crank", "no");
    put_file(&shelf, "0008.crankier", "no");
    assert_int_equal(snapshot_list(shelf.snapshot_folder, &entries, &count), 0);
    assert_int_equal(count, 3);
    assert_int_equal(entries[0].number, 3);
    assert_int_equal(entries[0].bytes, 5);
    assert_null(entries[0].report);
    assert_int_equal(entries[1].number, 12);
    assert_non_null(strstr(entries[1].path, "/snapshots/0012.crank"));
    assert_non_null(strstr(entries[1].report, "/snapshots/0012.json"));
    assert_int_equal(entries[2].number, 10234);
    snapshot_list_free(entries, count);
    snapshot_list_free(NULL, 0);
    shelf_close(&shelf);
}

/* ---- room ---- */

static void test_quota(void **state) {
    (void)state;
    struct shelf shelf;
    struct snapshot_state now;
    shelf_open(&shelf, RING_BYTES);
    shelf.settings.quota_bytes = 100; /* the first one is begun below it, and finished */
    shelf_start(&shelf);
    shelf_write(&shelf, 10);
    save_one(&shelf, 1);
    assert_int_equal(shelf_request(&shelf, 2.5, 4.5), 2);
    assert_int_equal(snapshots_wait(shelf.snapshots, 2, SHELF_WAIT_MS), -ENOSPC);
    snapshots_state(shelf.snapshots, &now);
    assert_false(now.room);
    assert_int_equal(now.failed, 1);
    assert_non_null(strstr(now.last_problem, "quota"));
    assert_non_null(strstr(now.last_problem, "[storage]"));
    assert_true(shelf_has(&shelf, 1, ".crank")); /* nothing is deleted */
    assert_false(shelf_has(&shelf, 2, ".crank.part"));
    take_file(&shelf, "0001.crank");
    save_one(&shelf, 3);
    snapshots_state(shelf.snapshots, &now);
    assert_true(now.room);
    shelf_close(&shelf);
}

static void test_keep_free(void **state) {
    (void)state;
    struct shelf shelf;
    struct snapshot_state now;
    shelf_open(&shelf, RING_BYTES);
    shelf.settings.keep_free_bytes = UINT64_MAX; /* no disk has that */
    shelf_start(&shelf);
    shelf_write(&shelf, 10);
    assert_int_equal(shelf_request(&shelf, 2.5, 4.5), 1);
    assert_int_equal(snapshots_wait(shelf.snapshots, 1, SHELF_WAIT_MS), -ENOSPC);
    snapshots_state(shelf.snapshots, &now);
    assert_false(now.room);
    assert_non_null(strstr(now.last_problem, "are free"));
    shelf_close(&shelf);
}

/* In a child, as mounting and unmounting is for it alone: its exit status tells. */
enum { FULL_DONE = 0, FULL_CANNOT_MOUNT = 77 };

static int fill_disk(void) {
    struct shelf shelf;
    struct snapshot_state now;
    struct shelf_file file;
    if ((unshare(CLONE_NEWNS) < 0 && unshare(CLONE_NEWUSER | CLONE_NEWNS) < 0) ||
        mount(NULL, "/", NULL, MS_REC | MS_PRIVATE, NULL) < 0)
        return FULL_CANNOT_MOUNT;
    shelf_open(&shelf, RING_BYTES);
    shelf.padding = 60;
    if (mkdir(shelf.snapshot_folder, 0755) < 0 ||
        mount("none", shelf.snapshot_folder, "tmpfs", 0, "size=512k") < 0) {
        shelf_close(&shelf);
        return FULL_CANNOT_MOUNT;
    }
    shelf_start(&shelf);
    shelf_write(&shelf, 60);
    shelf_request(&shelf, 5.5, 55.5);
    bool failed = snapshots_wait(shelf.snapshots, 1, SHELF_WAIT_MS) == -ENOSPC;
    snapshots_state(shelf.snapshots, &now);
    bool counted = now.failed == 1 && !now.room && now.bytes == 0 && now.last_problem[0];
    bool removed = !shelf_has(&shelf, 1, ".crank") && !shelf_has(&shelf, 1, ".crank.part");
    shelf_write(&shelf, 5); /* the ring goes on */
    struct disk_ring_state ring = disk_ring_state(shelf.ring);
    bool goes_on = ring.chunks_dropped == 0 && ring.last_error == 0;
    shelf_request(&shelf, 58.5, 61.5); /* a small one fits */
    bool again = snapshots_wait(shelf.snapshots, 2, SHELF_WAIT_MS) == 0 &&
                 shelf_look(&shelf, 2, &file) && file.whole && file.sound;
    snapshot_note_done(&file.note);
    snapshots_state(shelf.snapshots, &now);
    bool recovered = now.room && now.saved == 1;
    shelf_stop(&shelf);
    umount2(shelf.snapshot_folder, MNT_DETACH);
    shelf_close(&shelf);
    fprintf(stderr, "failed %d counted %d removed %d goes on %d again %d recovered %d\n", failed,
            counted, removed, goes_on, again, recovered);
    return failed && counted && removed && goes_on && again && recovered ? FULL_DONE : 1;
}

static void test_full_disk(void **state) {
    (void)state;
    int status = 0;
    fflush(NULL);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0)
        exit(fill_disk());
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    if (WEXITSTATUS(status) == FULL_CANNOT_MOUNT) {
        print_message("NOT RUN: a full disk (no right to mount a small one here)\n");
        skip();
    }
    assert_int_equal(WEXITSTATUS(status), FULL_DONE);
}

/* ---- what a killed process leaves ---- */

/* A child saves seconds 10 to 50, is at second 35, and is killed. */
static void be_killed(struct shelf *shelf) {
    fflush(NULL);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        struct disk_ring_settings settings = {.bytes = RING_BYTES};
        struct disk_ring_found found;
        if (disk_ring_open(shelf->ring_folder, &settings, &found, &shelf->ring) < 0 ||
            disk_ring_set_head(shelf->ring, SHELF_HEAD) < 0)
            _exit(2);
        shelf_start(shelf);
        shelf_write(shelf, 30);
        shelf_request(shelf, 10.5, 50.5);
        if (!shelf_await(shelf, 1, ".crank.part", 1000))
            _exit(3);
        shelf_write(shelf, 5);
        raise(SIGKILL);
    }
    int status = 0;
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFSIGNALED(status) && WTERMSIG(status) == SIGKILL);
}

/* A shelf whose ring and snapshots a killed child has left; the ring is open again. */
static void open_after_kill(struct shelf *shelf) {
    struct disk_ring_settings settings = {.bytes = RING_BYTES};
    struct disk_ring_found found;
    shelf_open(shelf, RING_BYTES);
    disk_ring_close(shelf->ring);
    be_killed(shelf);
    assert_true(shelf_has(shelf, 1, ".crank.part"));
    assert_int_equal(disk_ring_open(shelf->ring_folder, &settings, &found, &shelf->ring), 0);
    assert_int_equal(disk_ring_set_head(shelf->ring, SHELF_HEAD), 0);
}

static void assert_finished(struct shelf *shelf) {
    struct shelf_file file;
    assert_int_equal(snapshots_wait(shelf->snapshots, 1, SHELF_WAIT_MS), 0);
    assert_true(shelf_look(shelf, 1, &file));
    assert_true(file.whole && file.sound && file.note.cut_short);
    assert_int_equal(file.first[0], 10);
    assert_int_equal(file.last[0], 34); /* as far as the ring goes */
    assert_int_equal(file.blocks[0], 25);
    assert_int_equal(file.blocks[1], 25);
    assert_int_equal(file.note.to_ns, shelf_ns(shelf, 50.5));
    assert_string_equal(file.note.trigger, "manual");
    snapshot_note_done(&file.note);
    assert_false(shelf_has(shelf, 1, ".crank.part"));
    assert_false(shelf_has(shelf, 1, ".crank.part.old"));
}

static void test_killed(void **state) {
    (void)state;
    struct shelf shelf;
    open_after_kill(&shelf);
    shelf_start(&shelf);
    assert_finished(&shelf);
    shelf_stop(&shelf);
    assert_int_equal(shelf.finished, 1);
    /* The number is used; the next start finds nothing to do. */
    shelf_start(&shelf);
    shelf.epoch = 2;
    shelf.seconds = shelf.epoch_second = 100;
    shelf_write(&shelf, 10);
    assert_int_equal(shelf_request(&shelf, 102.5, 104.5), 2);
    assert_int_equal(snapshots_wait(shelf.snapshots, 2, SHELF_WAIT_MS), 0);
    shelf_close(&shelf);
}

/* Killed a second time, while the first .part was being written anew. */
static void test_killed_twice(void **state) {
    (void)state;
    struct shelf shelf;
    char part[160];
    char old[160];
    open_after_kill(&shelf);
    path_in(&shelf, "0001.crank.part", part);
    path_in(&shelf, "0001.crank.part.old", old);
    assert_int_equal(rename(part, old), 0);
    put_file(&shelf, "0001.crank.part", "half of a head");
    shelf_start(&shelf);
    assert_finished(&shelf);
    shelf_close(&shelf);
}

/* The power went: the .part ends in the middle of a block, or in zeros, and the ring has it all. */
static void test_torn(void **state) {
    (void)state;
    for (int zeros = 0; zeros < 2; zeros++) {
        struct shelf shelf;
        struct stat facts;
        char part[160];
        open_after_kill(&shelf);
        path_in(&shelf, "0001.crank.part", part);
        assert_int_equal(stat(part, &facts), 0);
        assert_int_equal(truncate(part, facts.st_size * 2 / 3), 0);
        if (zeros)
            assert_int_equal(truncate(part, facts.st_size), 0);
        shelf_start(&shelf);
        assert_finished(&shelf);
        shelf_close(&shelf);
    }
}

/* The ring is gone: what the .part has is kept. */
static void test_ring_gone(void **state) {
    (void)state;
    struct shelf shelf;
    struct shelf_file file;
    struct disk_ring_settings settings = {.bytes = RING_BYTES};
    struct disk_ring_found found;
    open_after_kill(&shelf);
    disk_ring_close(shelf.ring);
    snprintf(shelf.ring_folder, sizeof shelf.ring_folder, "%s/empty", shelf.folder);
    assert_int_equal(disk_ring_open(shelf.ring_folder, &settings, &found, &shelf.ring), 0);
    shelf_start(&shelf);
    assert_int_equal(snapshots_wait(shelf.snapshots, 1, SHELF_WAIT_MS), 0);
    assert_true(shelf_look(&shelf, 1, &file));
    assert_true(file.whole && file.sound && file.note.cut_short);
    assert_int_equal(file.first[0], 10);
    assert_in_range(file.last[0], 29, 34);
    snapshot_note_done(&file.note);
    shelf_close(&shelf);
}

static void test_unreadable(void **state) {
    (void)state;
    struct shelf shelf;
    shelf_open(&shelf, RING_BYTES);
    shelf_start(&shelf);
    shelf_stop(&shelf);
    put_file(&shelf, "0004.crank.part", "this was never one of ours");
    put_file(&shelf, "0005.crank.part", "");
    shelf_start(&shelf);
    assert_true(shelf_has(&shelf, 4, ".crank.part.unreadable"));
    assert_false(shelf_has(&shelf, 4, ".crank.part"));
    assert_true(shelf_has(&shelf, 5, ".crank.part.unreadable"));
    assert_non_null(strstr(shelf.problem, "0005.crank.part.unreadable"));
    shelf_write(&shelf, 10);
    save_one(&shelf, 6);
    shelf_close(&shelf);
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_numbers),      cmocka_unit_test(test_list),
        cmocka_unit_test(test_quota),        cmocka_unit_test(test_keep_free),
        cmocka_unit_test(test_full_disk),    cmocka_unit_test(test_killed),
        cmocka_unit_test(test_killed_twice), cmocka_unit_test(test_torn),
        cmocka_unit_test(test_ring_gone),    cmocka_unit_test(test_unreadable),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
